"""What `check` finds in a rig's addresses, and in maps that do not suit it. I/O."""

from __future__ import annotations

from pathlib import Path

import pytest
from support.checked import FADER, FEET, MAPPINGS, Bench, box


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


# -- addresses ----------------------------------------------------------------------------------


def test_every_wrong_address_is_an_error_and_all_are_told_together(bench: Bench) -> None:
    faults = bench.faults(
        ('send = "udp://192.0.2.10:9000"', 'send = "udp://192.0.2.10:90000"'),
        ('listen = "udp://:9371"', 'listen = "osc://:9371"'),
        ('reply = "udp://192.0.2.21:9471"', 'reply = "udp://:9471"'),
        ('watch = "tcp://127.0.0.1:9372"', 'watch = "udp://127.0.0.1:9372"'),
        ('listen = "udp://:9001"', 'listen = "midi:Desk"'),
        more=FEET.replace('"Foot*"', '"midi:"'),
    )
    keys = {"send": "send =", "listen": 'listen = "osc', "reply": "reply =", "watch": "watch =",
            "door": "midi:Desk", "midi": 'midi = "midi:"'}  # fmt: skip
    lines = {name: bench.line(part) for name, part in keys.items()}
    assert faults == [
        f"house.toml:{lines['send']} console.send: found port 90000, expected a port from 1 to "
        "65535",
        f"house.toml:{lines['door']} console.listen: found 'midi:Desk', expected udp://...",
        f"house.toml:{lines['listen']} controller.0.listen: found osc://:9371, expected "
        "udp://host:port, tcp://host:port?framing=size|slip, midi:Name* or midi-virtual:Name",
        f"house.toml:{lines['reply']} controller.0.reply: found udp://:9471, expected the other "
        "end's host, as in udp://192.0.2.10:9471",
        f"house.toml:{lines['midi']} controller.2.midi: found midi:, expected a port's name, as in "
        "midi:Foot board",
        f"house.toml:{lines['watch']} daemon.watch: found 'udp://127.0.0.1:9372', expected tcp://...",
    ]


def test_wrong_addresses_are_told_together_with_wrong_maps(bench: Bench) -> None:
    bench.map("own.toml", "[map]\n")
    own = (f"{MAPPINGS}/console-osc-position.toml", "own.toml")
    faults = bench.faults(own, ('listen = "udp://:9001"', 'listen = "udp://:0"'))
    assert "console.listen" in faults[0]
    assert any("own.toml" in fault for fault in faults[1:])


def test_two_doors_at_one_port_are_an_error(bench: Bench) -> None:
    (fault,) = bench.faults(('listen = "udp://:9370"', 'listen = "udp://127.0.0.1:9371"'))
    assert "controller.1.listen: found 'udp://127.0.0.1:9371', which 'udp://:9371'" in fault


@pytest.mark.parametrize("listen", ["udp://:9001", "udp://127.0.0.1:9001"])
def test_a_controller_at_the_consoles_port_is_an_error(bench: Bench, listen: str) -> None:
    (fault,) = bench.faults(('listen = "udp://:9370"', f'listen = "{listen}"'))
    assert "which 'udp://:9001' at console.listen takes" in fault


def test_two_controllers_may_share_a_door_but_not_a_source(bench: Bench) -> None:
    shared = ('listen = "udp://:9370"', 'listen = "udp://:9371" ')
    assert bench.warnings(shared) == []
    (fault,) = bench.faults(shared, ('source = "192.0.2.20"', 'source = "192.0.2.21"'))
    assert "the source of ines-tablet at the same port" in fault


def test_tcp_and_udp_may_have_the_same_number(bench: Bench) -> None:
    assert bench.warnings(('listen = "udp://:9370"', 'listen = "udp://:9372"')) == []


def test_a_bridge_that_would_talk_to_itself_is_warned(bench: Bench) -> None:
    (warning,) = bench.warnings(('send = "udp://192.0.2.10:9000"', 'send = "udp://127.0.0.1:9001"'))
    assert "console.send: udp://127.0.0.1:9001 is where the bridge itself listens" in warning


@pytest.mark.parametrize(
    "source",
    ["page.example:9000", "page", "[2001:db8::5]:9000", "2001:db8::5", "[::ffff:192.0.2.20]:9000",
     "fe80::1%eth0", "192.0.2.20:9000"],
)  # fmt: skip
def test_a_source_may_be_a_name_or_any_numeric_address(bench: Bench, source: str) -> None:
    assert bench.warnings(('source = "192.0.2.20"', f'source = "{source}"')) == []


@pytest.mark.parametrize(
    ("source", "found", "expected"),
    [
        ("192.0.2.300", "'192.0.2.300'", "192.0.2.20, 192.0.2.20:9000, [::1]:9000 or a host's "),
        ("192.0.2.20:0", "port 0", "a port from 1 to 65535"),
        ("192.0.2.20:70000", "port 70000", "a port from 1 to 65535"),
        ("1:2:3", "'1:2:3'", "192.0.2.20, "),
        ("...", "'...'", "192.0.2.20, "),
        ("-page", "'-page'", "192.0.2.20, "),
        ("[page]:9000", "'[page]:9000'", "192.0.2.20"),
        ("192.0.2.20\\n", "'192.0.2.20\\n'", "192.0.2.20"),
    ],
)
def test_a_source_that_no_message_can_come_from_is_an_error(
    bench: Bench, source: str, found: str, expected: str
) -> None:
    (fault,) = bench.faults(('source = "192.0.2.20"', f'source = "{source}"'))
    line = bench.line(f'source = "{source}"')
    start = f"house.toml:{line} controller.1.source: found {found}, expected {expected}"
    assert fault.startswith(start)


def test_one_source_in_two_spellings_is_one(bench: Bench) -> None:
    (fault,) = bench.faults(
        ('listen = "udp://:9370"', 'listen = "udp://:9371"'),
        ('source = "192.0.2.20"', 'source = "::ffff:192.0.2.21"'),
    )
    assert "the source of ines-tablet at the same port" in fault


@pytest.mark.parametrize(
    ("listen", "reply", "found", "expected"),
    [
        ("tcp://:9371", "tcp://192.0.2.21:9471", "'tcp://192.0.2.21:9471'", "no such key: a con"),
        ("tcp://:9371", "udp://192.0.2.21:9471", "'udp://192.0.2.21:9471'", "no such key: a con"),
        ("udp://:9371", "tcp://192.0.2.21:9471", "'tcp://192.0.2.21:9471'", "udp://host:port"),
    ],
)
def test_a_reply_that_can_never_leave_is_an_error(
    bench: Bench, listen: str, reply: str, found: str, expected: str
) -> None:
    (fault,) = bench.faults(
        ('listen = "udp://:9371"', f'listen = "{listen}"'),
        ('reply = "udp://192.0.2.21:9471"', f'reply = "{reply}"'),
    )
    assert f"controller.0.reply: found {found}, expected {expected}" in fault


def test_a_source_and_a_reply_beside_a_midi_port_are_warned(bench: Bench) -> None:
    more = FEET + 'source = "192.0.2.30"\nreply = "udp://192.0.2.30:9000"\n'
    keys = [warning.partition(": ")[0].split()[1] for warning in bench.warnings(more=more)]
    assert keys == ["controller.2.source", "controller.2.reply"]


def test_a_listen_that_a_tcp_console_does_not_use_is_warned(bench: Bench) -> None:
    (warning,) = bench.warnings(
        ('send = "udp://192.0.2.10:9000"', 'send = "tcp://192.0.2.10:9000"')
    )
    assert "console.listen: is not used" in warning


def test_two_controllers_on_one_midi_port_that_hear_the_same_are_warned(bench: Bench) -> None:
    twin = FEET.replace("ines-feet", "more-feet").replace("Foot*", "foot board")
    (warning,) = bench.warnings(more=FEET + twin)
    assert "controller.3.midi: more-feet and ines-feet may be on one port" in warning
    assert "note 60 on MIDI channel 1 means something at both (5 such messages)" in warning


def test_two_controllers_on_one_midi_port_with_words_of_their_own_are_fine(bench: Bench) -> None:
    bench.map("pickup.toml", FADER.format(takeover="pickup"))
    assert bench.warnings(more=FEET + box("foot", "pickup")) == []
    numbered = FEET.replace("ines-feet", "more-feet").replace("Foot*", "Foot*@2")
    assert bench.warnings(more=FEET + numbered.replace("Foot*@2", "midi:Foot*@2")) == []


# -- maps ---------------------------------------------------------------------------------------


def test_a_map_of_the_wrong_kind_is_an_error(bench: Bench) -> None:
    (fault,) = bench.faults(("console-osc-position", "knob-box"))
    assert fault.startswith(f"house.toml:{bench.line('[console]') + 1} console.map: found ")
    assert fault.endswith("a controller's map, expected a console's map")


def test_a_map_in_the_wrong_language_is_an_error(bench: Bench) -> None:
    (fault,) = bench.faults(("engineer-panel", "key-pad"))
    assert "controller.1.map: found " in fault
    assert fault.endswith("a map in MIDI, expected one in OSC, as the declared link carries")


def test_a_map_that_names_a_place_that_there_is_not_is_an_error(bench: Bench) -> None:
    bench.map("few.toml", FADER.format(takeover="pickup").replace("bus = 1", "bus = 7"))
    (fault,) = bench.faults(more=box("few", "few").replace('"engineer"', '"ines"'))
    assert fault.startswith("few.toml:") and "no bus 7, there is 1" in fault
