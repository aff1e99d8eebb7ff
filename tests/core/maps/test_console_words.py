"""The console's words: what is said, what is understood, and what is left alone. Pure."""

from __future__ import annotations

import math
import struct

import pytest

from bridge.errors import MapError
from bridge.maps.console import (
    ALIVE,
    ASK_ALL,
    ASKED,
    PROBE,
    RENEW,
    ConsoleNames,
    ConsoleWords,
)
from bridge.maps.load import parse_map
from bridge.rig.layout import Layout, Parameter
from bridge.wire import osc

HEAD = '[map]\nname = "test"\nkind = "console"\n'
LEVEL = (
    HEAD
    + """
[[osc]]
parameter = "send level"
address = "/out/{bus:02}/in/{channel-1}"
law = { from_db = -60, to_db = 10, off_at_bottom = true }
"""
)


def words(
    text: str, layout: Layout, names: ConsoleNames | None = None, end: str = "bridge"
) -> ConsoleWords:
    return ConsoleWords(parse_map(text, "test.toml"), layout, names, end)  # type: ignore[arg-type]


def test_numbers_have_width_and_offset(layout: Layout) -> None:
    slot = layout.slot(Parameter.SEND_LEVEL, 3, 1)
    (data,) = words(LEVEL, layout).encode(slot, 10.0)
    assert data == b"/out/02/in/3\0\0\0\0,f\0\0\x3f\x80\0\0"


def test_the_consoles_own_numbers_are_used(layout: Layout) -> None:
    names = ConsoleNames((7, 9, 11, 13), (4, 5, 6))
    slot = layout.slot(Parameter.SEND_LEVEL, 1, 2)
    (data,) = words(LEVEL, layout, names).encode(slot, 0.0)
    assert data.startswith(b"/out/06/in/8\0")


def test_names_stand_where_numbers_would(layout: Layout) -> None:
    names = ConsoleNames(("snare", "squeeze", "lead", "low"), ("a", "b", "c"))
    slot = layout.slot(Parameter.SEND_LEVEL, 1, 2)
    (data,) = words(LEVEL, layout, names).encode(slot, 0.0)
    assert data.startswith(b"/out/c/in/squeeze\0")


def test_what_cannot_be_reached_is_left_out(layout: Layout) -> None:
    names = ConsoleNames((1, None, 3, 4), (1, 2, None))
    reached = words(LEVEL, layout, names).can_set
    assert layout.slot(Parameter.SEND_LEVEL, 1, 0) not in reached
    assert layout.slot(Parameter.SEND_LEVEL, 0, 2) not in reached
    assert len(reached) == 6


def test_a_slot_without_a_message_is_a_mistake_of_the_caller(layout: Layout) -> None:
    with pytest.raises(KeyError):
        words(LEVEL, layout).encode(layout.slot(Parameter.SEND_ON, 0, 0), 1.0)


def test_an_entry_covers_the_numbers_that_it_says(layout: Layout) -> None:
    text = LEVEL + "channels = [2, 3]\nbuses = [1, 1]\n"
    slots = {layout.slot(Parameter.SEND_LEVEL, channel, 0) for channel in (1, 2)}
    assert words(text, layout).can_set == slots


def test_a_list_names_the_buses(layout: Layout) -> None:
    text = LEVEL.replace("{bus:02}", "{bus:sides}") + '[names]\nsides = ["left", "right", "up"]\n'
    (data,) = words(text, layout).encode(layout.slot(Parameter.SEND_LEVEL, 0, 1), 0.0)
    assert data.startswith(b"/out/right/in/0\0")


def test_the_first_datagram_and_the_next_mean_the_same(layout: Layout) -> None:
    end = words(LEVEL, layout, end="console")
    slot = layout.slot(Parameter.SEND_LEVEL, 2, 2)
    bridge = words(LEVEL, layout)
    (first,), (second,) = bridge.encode(slot, -20.0), bridge.encode(slot, 3.0)
    held = [((slot, bridge.held(slot, level)),) for level in (-20.0, 3.0)]
    assert [end.decode(first), end.decode(second)] == held
    assert [end.decode(first), end.decode(second)] == held


@pytest.mark.parametrize("raw", [math.nan, math.inf, 1.2, -7.0])
@pytest.mark.parametrize("known", [True, False])
def test_a_number_that_means_nothing_is_counted_and_left(
    raw: float, known: bool, layout: Layout
) -> None:
    end = words(LEVEL, layout, end="console")
    slot = layout.slot(Parameter.SEND_LEVEL, 2, 2)
    (data,) = words(LEVEL, layout).encode(slot, -20.0)
    if known:
        end.decode(data)
    assert end.decode(data[:-4] + struct.pack(">f", raw)) == ()
    assert end.unknown == 1
    assert end.last_unknown.startswith("send level of voice in front: ")


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "packet is empty"),
        (b"/out/01/in/0\0\0\0\0,f\0\0", "argument is cut short"),
        (osc.encode("/out/01/in/9", "f", (0.5,)), "/out/01/in/9 ,f"),
        (osc.encode("/out/01/in/0", "ff", (0.5, 0.5)), "/out/01/in/0 ,ff"),
        (osc.encode("/out/01/in/0", "s", ("0.5",)), "/out/01/in/0 ,s"),
        (osc.encode("/out/01/in/0", "", ()), "/out/01/in/0 ,"),
        (osc.encode("/out/*/in/0", "f", (0.5,)), "/out/*/in/0 ,f"),
    ],
)
def test_rubbish_is_counted_and_nothing_else(data: bytes, said: str, layout: Layout) -> None:
    end = words(LEVEL, layout, end="console")
    assert end.decode(data) == ()
    assert (end.unknown, end.last_unknown) == (1, said)
    assert end.decode(osc.encode("/out/01/in/0", "f", (1.0,))) == (
        (layout.slot(Parameter.SEND_LEVEL, 0, 0), 10.0),
    )
    assert end.unknown == 1


def test_a_whole_number_may_stand_for_a_float(layout: Layout) -> None:
    end = words(LEVEL, layout, end="console")
    slot = layout.slot(Parameter.SEND_LEVEL, 0, 0)
    for _ in range(2):  # the second one takes the short cut, if there is one
        assert end.decode(osc.encode("/out/01/in/0", "i", (1,))) == ((slot, 10.0),)


def test_all_messages_of_a_bundle_count(layout: Layout) -> None:
    bridge, end = words(LEVEL, layout), words(LEVEL, layout, end="console")
    slots = [layout.slot(Parameter.SEND_LEVEL, channel, 0) for channel in range(4)]
    packets = [bridge.encode(slot, 10.0)[0] for slot in slots]
    packets.insert(2, osc.encode("/else", "i", (1,)))
    assert end.decode(osc.bundle(1, packets)) == tuple((slot, 10.0) for slot in slots)
    assert (end.unknown, end.last_unknown) == (1, "/else ,i")


TALK = (
    HEAD
    + """
[console]
echoes = true
messages_per_s = 50
bytes_per_s = 900
ask_all = [{ address = "/tell", arguments = ["in", 1] }, { address = "/tell", arguments = ["out"] }]
renew = ["/again"]
renew_every_s = 4
probe = ["/there"]
probe_every_s = 0.5
alive = [{ address = "/here", arguments = [1] }]
[[osc]]
parameter = "bus master"
address = "/out/{bus}"
ask = "/out/{bus}"
[[osc]]
parameter = "bus mute"
use = ["set"]
address = "/out/{bus}/mute"
type = "i"
"""
)


def test_the_conversation_is_declared_in_the_map(layout: Layout) -> None:
    bridge = words(TALK, layout)
    assert bridge.echoes
    assert (bridge.messages_per_s, bridge.bytes_per_s) == (50, 900)
    assert (bridge.renew_every_s, bridge.probe_every_s) == (4, 0.5)
    assert bridge.ask_all == (
        osc.encode("/tell", "si", ("in", 1)),
        osc.encode("/tell", "s", ("out",)),
    )
    assert bridge.probe == (osc.encode("/there"),)


def test_a_map_without_a_budget_has_none(layout: Layout) -> None:
    bridge = words(LEVEL, layout)
    assert (bridge.messages_per_s, bridge.bytes_per_s) == (math.inf, math.inf)
    assert (bridge.renew_every_s, bridge.probe_every_s) == (0, 0)
    assert not bridge.echoes


def test_the_console_knows_what_it_is_asked(layout: Layout) -> None:
    bridge, end = words(TALK, layout), words(TALK, layout, end="console")
    slot = layout.slot(Parameter.BUS_MASTER, bus=1)
    assert end.decode(bridge.ask(slot)[0]) == ((ASKED - slot, 0.0),)
    assert end.decode(bridge.probe[0]) == ((PROBE, 0.0),)
    assert end.decode(bridge.renew[0]) == ((RENEW, 0.0),)
    assert end.unknown == 0


def test_several_questions_for_everything_are_one(layout: Layout) -> None:
    bridge, end = words(TALK, layout), words(TALK, layout, end="console")
    heard = [one for data in bridge.ask_all for one in end.decode(data)]
    assert heard == [(ASK_ALL, 0.0)]
    assert end.unknown == 0


def test_a_sign_of_life_is_one_whatever_it_says(layout: Layout) -> None:
    bridge, end = words(TALK, layout), words(TALK, layout, end="console")
    assert bridge.decode(end.alive[0]) == ((ALIVE, 0.0),)
    assert bridge.decode(osc.encode("/here", "s", ("fine",))) == ((ALIVE, 0.0),)


def test_what_is_only_set_is_not_read(layout: Layout) -> None:
    bridge, end = words(TALK, layout), words(TALK, layout, end="console")
    mute = layout.slot(Parameter.BUS_MUTE, bus=0)
    assert mute in bridge.can_set
    assert mute not in bridge.can_read
    assert bridge.decode(bridge.encode(mute, 1.0)[0]) == ()
    assert end.decode(bridge.encode(mute, 1.0)[0]) == ((mute, 1.0),)
    assert bridge.ask(mute) == ()
    with pytest.raises(KeyError):
        end.encode(mute, 1.0)


MIDI = (
    HEAD
    + """
[[midi]]
parameter = "send level"
message = "control change"
midi_channel = { first = 1, per_bus = 1 }
number = { first = 20, per_channel = 2 }
law = "40 log10"
"""
)


def test_midi_numbers_follow_channel_and_bus(layout: Layout) -> None:
    slot = layout.slot(Parameter.SEND_LEVEL, 3, 2)
    assert words(MIDI, layout).encode(slot, 0.0) == (b"\xb2\x1a\x7f",)


def test_midi_numbers_that_run_out_say_where() -> None:
    wide = Layout(tuple(f"in{number}" for number in range(60)), ("kit",))
    with pytest.raises(MapError) as caught:
        words(MIDI, wide)
    assert str(caught.value) == (
        "test.toml:9 midi.0.number: found 120 at channel 51 bus 1, "
        "expected 0 to 119; limit the entry with channels or buses"
    )


def test_midi_channels_that_run_out_say_where() -> None:
    wide = Layout(("in",), tuple(f"out{number}" for number in range(17)))
    with pytest.raises(MapError) as caught:
        words(MIDI, wide)
    assert str(caught.value) == (
        "test.toml:8 midi.0.midi_channel: found 17 at channel 1 bus 17, "
        "expected 1 to 16; limit channels or buses"
    )


def test_midi_needs_numbers(layout: Layout) -> None:
    names = ConsoleNames((1, 2, "lead", 4), (1, 2, 3))
    with pytest.raises(MapError) as caught:
        words(MIDI, layout, names)
    assert str(caught.value) == (
        "test.toml:9 midi.0.number: found channel 'lead', "
        "expected numbers in the rig: MIDI counts, it has no names"
    )


def test_a_name_that_no_address_may_have_says_where(layout: Layout) -> None:
    names = ConsoleNames((1, 2, "lead vox", 4), (1, 2, 3))
    with pytest.raises(MapError) as caught:
        words(LEVEL, layout, names)
    assert str(caught.value) == (
        "test.toml:7 osc.0.address: found '/out/01/in/lead vox' has ' ', "
        "expected names that may stand in an OSC address"
    )


def test_a_list_that_runs_out_says_where(layout: Layout) -> None:
    text = LEVEL.replace("{bus:02}", "{bus:sides}") + '[names]\nsides = ["left", "right"]\n'
    with pytest.raises(MapError) as caught:
        words(text, layout)
    assert str(caught.value) == (
        "test.toml:7 osc.0.address: found bus 3 is beyond the list's 2 names, "
        "expected an address for every place that the entry covers"
    )


def test_a_place_that_the_rig_has_not_says_so(layout: Layout) -> None:
    text = LEVEL.replace("/out/{bus:02}", "/out") + 'bus = "balcony"\n'
    with pytest.raises(MapError) as caught:
        words(text, layout)
    assert str(caught.value) == (
        "test.toml:5 osc.0: found no bus balcony, there is 1, 2, 3, expected a place in the rig"
    )


def test_names_must_fit_the_layout(layout: Layout) -> None:
    with pytest.raises(ValueError, match="as many names as the layout has"):
        words(LEVEL, layout, ConsoleNames((1,), (1,)))


def test_half_a_value_is_forgotten_on_reconnect(layout: Layout) -> None:
    text = HEAD + (
        '[[midi]]\nparameter = "bus master"\nmessage = "nrpn"\n'
        'number = { first = 5, per_bus = 1 }\nlaw = "40 log10"\nfine_half = "awaited"\n'
    )
    bridge, end = words(text, layout), words(text, layout, end="console")
    slot = layout.slot(Parameter.BUS_MASTER, bus=0)
    select_msb, select_lsb, coarse, _ = bridge.encode(slot, 0.0)
    for data in (select_msb, select_lsb):
        assert end.decode(data) == ()
    assert end.unknown == 0
    end.clear()
    assert end.decode(coarse) == ()


PAIRED = (
    HEAD
    + """
[[midi]]
parameter = "bus master"
message = "{message}"
number = {{ first = 5, per_bus = 1 }}
law = {{ from_db = -60, to_db = 10 }}
{more}
"""
)


def test_the_coarse_half_alone_carries_a_level(layout: Layout) -> None:
    text = PAIRED.format(message="nrpn", more="bits = 7")
    bridge, end = words(text, layout), words(text, layout, end="console")
    slot = layout.slot(Parameter.BUS_MASTER, bus=1)
    messages = bridge.encode(slot, -20.0)
    assert messages == (b"\xb0\x63\x00", b"\xb0\x62\x06", b"\xb0\x06\x48")
    heard = [one for data in messages for one in end.decode(data)]
    assert heard == [(slot, bridge.held(slot, -20.0))]
    assert -20.6 < heard[0][1] <= -20.0
    assert end.decode(b"\xb0\x26\x7f") == ((slot, heard[0][1]),)  # a fine half changes nothing


# Some senders say the fine half first; the value is then whole at the coarse half.
@pytest.mark.parametrize(
    ("message", "last"),
    [("nrpn", (b"\xb0\x26\x48", b"\xb0\x06\x49")),
     ("control change 14", (b"\xb0\x26\x48", b"\xb0\x06\x49"))],
)  # fmt: skip
def test_the_fine_half_may_come_first(
    message: str, last: tuple[bytes, bytes], layout: Layout
) -> None:
    text = PAIRED.format(message=message, more="lsb_first = true")
    bridge, end = words(text, layout), words(text, layout, end="console")
    slot = layout.slot(Parameter.BUS_MASTER, bus=1)
    level_db = -60 + 70 * (0x49 * 128 + 0x48) / 16383
    messages = bridge.encode(slot, level_db + 1e-6)
    assert messages[-2:] == last
    told = [end.decode(data) for data in messages]
    assert told[:-1] == [()] * (len(messages) - 1)
    assert told[-1] == ((slot, pytest.approx(level_db, abs=1e-9)),)
    assert end.unknown == 0
