"""The map's text: one entry more, nothing else, and no message with two meanings. Pure."""

from __future__ import annotations

import difflib

import pytest
from learning_hands import BOX, PAGE, refused, study

from bridge.learning.entry import entry_text, read_setting
from bridge.learning.study import Study
from bridge.learning.writer import NEW_MAP, checked, with_entry
from bridge.maps.load import parse_map
from bridge.maps.model import MapFile

FADER = {"parameter": "send level", "channel": "voice", "bus": 1, "message": "control change",
         "number": 30, "law": {"from_db": -60.0, "to_db": -3.0}}  # fmt: skip
PRESS = {"parameter": "send on", "channel": "voice", "bus": 1, "action": "toggle"}


LISTED = """\
map.name = "List"
map.kind = "controller"
midi = [  # all of it
    { parameter = "bus dim", bus = 1, message = "note", number = 3, action = "toggle" },  # one
]
"""


def midi(**keys: object) -> str:
    return entry_text("midi", {**FADER, **keys})


def add(text: str, entry: str, what: Study | None = None) -> str:
    what = what or study()
    new = with_entry(text, what.language, entry)
    checked(text, new, "box.toml", what)
    return new


def removed_and_added(old: str, new: str) -> tuple[list[str], list[str]]:
    lines = list(difflib.ndiff(old.splitlines(keepends=True), new.splitlines(keepends=True)))
    return [one[2:] for one in lines if one[0] == "-"], [one[2:] for one in lines if one[0] == "+"]


def test_only_the_lines_of_the_entry_are_added() -> None:
    removed, added = removed_and_added(BOX, add(BOX, midi()))
    assert removed == []
    assert "".join(added) == "\n" + midi()


def test_a_file_with_other_line_ends_keeps_them() -> None:
    old = BOX.replace("\n", "\r\n")
    new = add(old, midi())
    assert new.startswith(old) and "\n" not in new.replace("\r\n", "")


def test_a_file_without_a_last_line_end_gets_one() -> None:
    assert add(BOX.rstrip("\n"), midi()).startswith(BOX + "\n[[midi]]")


def test_a_mark_at_the_beginning_of_a_file_does_no_harm() -> None:
    new = with_entry("\ufeff" + BOX, "midi", midi())
    assert new.startswith("\ufeff# The box")


def test_an_entry_after_another_table_belongs_to_its_list() -> None:
    old = BOX + "\n[law.soft]\nfrom_db = -40\nto_db = 0  # not far\n"
    new = add(old, midi(law="soft"))
    assert new.startswith(old)
    assert len(parse_map(new, "box.toml").midi) == 3


def test_entries_that_stand_in_one_list_get_one_more_and_keep_their_comments() -> None:
    old = LISTED
    new = add(old, midi())
    assert "# all of it" in new and "# one" in new
    assert [one.number for one in parse_map(new, "box.toml").midi] == [3, 30]


def test_a_map_without_entries_gets_its_first() -> None:
    map_file = parse_map(add(NEW_MAP.format(name="Box"), midi()), "box.toml")
    assert len(map_file.midi) == 1


def test_texts_are_quoted_so_that_they_come_back() -> None:
    for label in ('a "b" \\ c', "naïve ♯", "'", "#"):
        assert parse_map(add(BOX, midi(label=label)), "box.toml").midi[-1].label == label


@pytest.mark.parametrize(
    ("typed", "value"),
    [
        ("-0.5", -0.5),
        ("2,125", [2, 125]),
        ("-inf", float("-inf")),
        ("fader", "fader"),
        ('"fader"', "fader"),
        ("true", True),
        ("{ from_db = -40, to_db = 0 }", {"from_db": -40, "to_db": 0}),
        ("[[[", "[[["),
        ("60268-18", "60268-18"),
    ],
)
def test_a_typed_value_is_toml_or_else_a_word(typed: str, value: object) -> None:
    assert read_setting(typed) == value


# -- what is refused ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("keys", "names"),
    [
        (
            {"number": 20},
            ("control change 20 on MIDI channel 1", "'big knob'", "box.toml:7 midi.0"),
        ),
        ({"message": "control change 14", "number": 20}, ("control change 20", "'big knob'")),
        ({"midi_channel": 5, "number": 98}, ("control change 98 on MIDI channel 5", "'bus dim'")),
        ({"midi_channel": 5, "number": 6}, ("control change 6 on MIDI channel 5", "'bus dim'")),
        ({"message": "control change 14", "midi_channel": 5, "number": 6}, ("control change 6",)),
        ({"message": "nrpn", "midi_channel": 5, "number": 300}, ("nrpn 300", "'bus dim'")),
    ],
)
def test_a_control_that_means_something_already_is_refused_by_name(
    keys: dict[str, object], names: tuple[str, ...]
) -> None:
    text = refused(lambda: add(BOX, midi(**keys)))
    assert all(name in text for name in names), text


def test_the_fine_half_of_a_pair_is_not_free_either() -> None:
    old = add(BOX, midi(message="control change 14", number=1, label="wide"))
    text = refused(lambda: add(old, midi(channel="accordion", number=33)))
    assert "control change 33 on MIDI channel 1" in text and "'wide'" in text


@pytest.mark.parametrize(
    "keys",
    [
        {"message": "nrpn", "midi_channel": 5, "number": 301},
        {"message": "rpn", "midi_channel": 5, "number": 300},
        {"midi_channel": 2, "number": 20},
        {"message": "control change 14", "number": 21},
        {"message": "pitch bend", "number": None},
        {"message": "channel pressure", "number": None},
    ],
)
def test_a_control_beside_the_others_is_taken(keys: dict[str, object]) -> None:
    wanted = {key: value for key, value in {**FADER, **keys}.items() if value is not None}
    add(BOX, entry_text("midi", wanted))


def test_a_program_change_as_a_value_takes_all_programs() -> None:
    value = {key: one for key, one in FADER.items() if key != "number"} | {
        "message": "program change"
    }
    old = add(BOX, entry_text("midi", value))
    text = refused(lambda: add(old, entry_text(
        "midi", {**PRESS, "message": "program change", "number": 4})))  # fmt: skip
    assert "program change 4" in text


def osc(**keys: object) -> str:
    return entry_text("osc", {"parameter": "bus master", "bus": 2, "address": "/new",
                              "law": "40 log10", **keys})  # fmt: skip


@pytest.mark.parametrize(
    ("keys", "clash"),
    [
        ({"address": "/my/voice/level"}, False),
        ({"address": "/my/1/level"}, True),
        ({"address": "/my/1/level", "before": [3]}, False),
        ({"address": "/my/1/level", "type": "i", "range": [0, 127]}, True),
    ],
)
def test_an_osc_message_that_could_mean_two_things_is_refused(
    keys: dict[str, object], clash: bool
) -> None:
    wanted = osc(**keys)
    if clash:
        text = refused(lambda: add(PAGE, wanted, study(2)))
        assert "/my/1/level" in text and "'send level'" in text
    else:
        add(PAGE, wanted, study(2))


def test_constants_keep_messages_of_one_address_apart() -> None:
    old = add(PAGE, osc(before=["a"]), study(2))
    add(old, osc(bus=1, before=["b"]), study(2))
    assert "/new" in refused(lambda: add(old, osc(bus=1, before=["a"]), study(2)))


def test_two_takeovers_of_one_level_are_refused_by_name() -> None:
    keys = {**FADER, "parameter": "bus master", "takeover": "jump"}
    keys.pop("channel")
    text = refused(lambda: add(BOX, entry_text("midi", keys)))
    assert "taken over in different ways" in text and "big knob" in text


def test_a_bus_that_these_hands_do_not_have_is_refused() -> None:
    assert "no bus 2" in refused(lambda: add(BOX, midi(bus=2)))


def test_an_entry_that_is_none_is_refused_with_its_place() -> None:
    text = refused(lambda: add(BOX, midi(number=400)))
    assert "number" in text and "400" in text and "box.toml:" in text


def test_a_text_that_changes_something_else_is_refused() -> None:
    new = with_entry(BOX, "midi", midi()).replace("number = 20", "number = 21")
    assert "more than one entry changed" in refused(lambda: checked(BOX, new, "b", study()))


def test_a_map_of_several_controllers_is_checked_for_each_of_them() -> None:
    what = study(2)
    shared = what.rig.file.controller[0].model_copy(
        update={"map": "page.toml", "midi": None, "listen": "udp://:1", "source": "192.0.2.1"}
    )
    file = what.rig.file
    listed = [shared, *file.controller[1:]]
    object.__setattr__(file, "controller", listed)
    assert what.sharing() == [2, 0]
    assert "no bus 2" in refused(lambda: add(PAGE, osc(bus=2), what))
    add(PAGE, osc(bus=1), what)


def test_a_shared_map_is_read_as_the_whole_map_file() -> None:
    map_file: MapFile = parse_map(BOX, "box.toml")
    assert len(map_file.entries) == 2
