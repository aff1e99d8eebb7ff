"""What `check` finds in a rig: its table, its dangers, its controls. I/O."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from support.checked import FADER, FEET, MAPPINGS, Bench, box


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


# -- the table ----------------------------------------------------------------------------------


def test_a_sound_rig_has_no_warnings(bench: Bench) -> None:
    assert bench.warnings() == []


def test_the_table_says_who_can_set_read_and_move_what(bench: Bench) -> None:
    rows = [line.split() for line in bench.check().text().splitlines()]
    assert ["parameter", "of", "in", "set", "read", "ask", "moved", "by", "shown", "at"] in rows
    both = ["ines-tablet,", "ruth-page"]
    assert ["send", "level", "all", "2", "kit", "yes", "yes", "yes", *both, *both] in rows
    page = ["ruth-page"]
    assert ["send", "level", "all", "2", "front", "yes", "yes", "yes", *page, *page] in rows
    assert ["channel", "fader", "all", "2", "-", "yes", "yes", "yes", "-", "-"] in rows
    assert ["silence", "all", "-", "-", "bridge", "-", "-", *page, *page] in rows
    assert rows[-1] == ["no", "warnings"]


def test_the_data_says_the_same_a_cell_and_is_json(bench: Bench) -> None:
    data = json.loads(json.dumps(bench.check().data(), allow_nan=False))
    assert data["channels"] == ["kick", "voice"] and data["buses"] == ["kit", "front"]
    assert data["file"] == str(bench.path) and data["warnings"] == []
    here = ("send level", "voice", "kit")
    (cell,) = [c for c in data["cells"] if (c["parameter"], c["of"], c["bus"]) == here]
    assert cell == {
        "parameter": "send level", "of": "voice", "bus": "kit", "set": True, "read": True,
        "ask": True, "moved_by": ["ines-tablet", "ruth-page"],
        "shown_at": ["ines-tablet", "ruth-page"],
    }  # fmt: skip


def test_who_may_not_move_a_cell_does_not_stand_in_it(bench: Bench) -> None:
    report = bench.check(('name = "Ines"', 'name = "Ines"\nmay_touch = ["send level"]'))
    movers = {(c["parameter"], c["bus"]): c["moved_by"] for c in report.data()["cells"]}
    assert movers["send level", "kit"] == ["ines-tablet", "ruth-page"]
    assert movers["bus master", "kit"] == ["ruth-page"]


# -- dangers ------------------------------------------------------------------------------------

NUMBER_2 = 'id = "front"\nconsole = 2'


def test_a_monitor_tapped_post_fader_is_a_danger(bench: Bench) -> None:
    (warning,) = bench.warnings((NUMBER_2, NUMBER_2 + '\ntap = "post"'))
    assert warning.startswith(f"house.toml:{bench.line('tap = ')} bus.1.tap: front is tapped post")


def test_a_ceiling_above_nominal_is_a_danger_and_one_at_nominal_is_not(bench: Bench) -> None:
    assert bench.warnings((NUMBER_2, NUMBER_2 + "\nnominal_db = 0")) == []
    (warning,) = bench.warnings((NUMBER_2, NUMBER_2 + "\nnominal_db = -6"))
    assert warning.startswith(
        "house.toml:4 limits.master_ceiling_db: the ceiling of front, 0 dB, is above its nominal "
        "level, -6 dB; lower master_ceiling_db"
    )


def test_a_ceiling_of_the_bus_itself_is_shown_at_the_bus(bench: Bench) -> None:
    more = "\nnominal_db = -6\nmaster_ceiling_db = -3\nstart_db = -5"
    above, start = bench.warnings((NUMBER_2, NUMBER_2 + more))
    assert above.startswith(f"house.toml:{bench.line('master_ceiling_db = -3')} bus.1.master_ceil")
    assert start.startswith(f"house.toml:{bench.line('start_db = -5')} bus.1.start_db: front opens")


def test_a_console_that_is_not_read_back_is_a_danger(bench: Bench) -> None:
    listen = 'listen = "udp://:9001"'
    (warning,) = bench.warnings((listen, listen + "\nreadback = false"))
    assert f"house.toml:{bench.line('readback')} console.readback: the console is not" in warning


def test_a_console_whose_map_reads_nothing_is_a_danger_too(bench: Bench) -> None:
    found = bench.warnings(
        ("console-osc-position", "console-midi-7bit"),
        ('send = "udp://192.0.2.10:9000"\nlisten = "udp://:9001"', 'midi = "Desk*"'),
    )
    assert len(found) == 2
    assert "cannot be read back" in found[1] and "readback = false" in found[1]
    assert "neither says nor is told where a send takes its signal" in found[0]


OWN_CONSOLE = """\
[map]
name = "Own"
kind = "console"
[[osc]]
parameter = "send level"
address = "/s/{bus}/{channel}"
range = [-80, 10]
off = -100
ask = "/s/{bus}/{channel}"
[[osc]]
parameter = "send tap"
address = "/t/{bus}/{channel}"
type = "i"
pre = 0
post = 1
ask = "/t/{bus}/{channel}"
[[osc]]
parameter = "send pan"
address = "/p/{bus}/{channel}"
ask = "/p/{bus}/{channel}"
[[osc]]
parameter = "bus master"
address = "/m/{bus}"
range = [-80, 10]
off = -100
"""
OWN_MAP = (f"{MAPPINGS}/console-osc-position.toml", "own.toml")


def test_what_nothing_asks_for_keeps_the_bridge_waiting(bench: Bench) -> None:
    bench.map("own.toml", OWN_CONSOLE)
    (warning,) = bench.warnings(OWN_MAP)
    assert "nothing asks for bus master of kit and 1 more: the bridge waits" in warning


def test_what_nothing_confirms_is_told(bench: Bench) -> None:
    bench.map("own.toml", OWN_CONSOLE + '[console]\nask_all = ["/all"]\n')
    (warning,) = bench.warnings(OWN_MAP)
    assert "nothing confirms bus master of kit and 1 more" in warning
    bench.map("own.toml", OWN_CONSOLE + '[console]\nask_all = ["/all"]\nechoes = true\n')
    assert bench.warnings(OWN_MAP) == []


def test_what_is_told_and_never_read_is_told(bench: Bench) -> None:
    bench.map("own.toml", OWN_CONSOLE + 'use = ["set"]\n')
    (warning,) = bench.warnings(OWN_MAP)
    assert "is told bus master of kit and 1 more, and cannot be read back there" in warning


def test_a_channel_or_bus_beyond_the_console_is_found(bench: Bench) -> None:
    limited = OWN_CONSOLE.replace("range", "buses = [1, 8]\nrange") + 'ask = "/m/{bus}"\n'
    bench.map("own.toml", limited.replace("buses", "channels = [1, 8]\nbuses", 1))
    found = bench.warnings(OWN_MAP, (NUMBER_2, 'id = "front"\nconsole = 9'),
                           ('id = "voice"\nconsole = 2', 'id = "voice"\nconsole = 11'))  # fmt: skip
    assert (
        f"house.toml:{bench.line('console = 11')} channel.1.console: no send of voice" in found[-2]
    )
    assert f"house.toml:{bench.line('console = 9')} bus.1.console: the master of front" in found[-1]


def test_a_bus_that_nothing_opens_is_found(bench: Bench) -> None:
    own = OWN_CONSOLE + 'ask = "/m/{bus}"\n'
    bench.map("own.toml", own)
    bench.map("few.toml", FADER.format(takeover="pickup"))
    feet = f'map = "{MAPPINGS}/engineer-panel.toml"\nlisten = "udp://:9370"\nsource = "192.0.2.20"'
    changes = (OWN_MAP, (feet, 'map = "few.toml"\nmidi = "Few*"'))
    found = bench.warnings(*changes)
    assert [w.partition(";")[0] for w in found] == [
        f"house.toml:{bench.line('[[bus]]')} bus.0: nothing opens kit: no control of the "
        "engineer's does, and it does not open by itself",
        f"house.toml:{bench.line('[[bus]]') + 3} bus.1: nothing opens front: no control of the "
        "engineer's does, and it does not open by itself",
    ]
    by_itself = (NUMBER_2, NUMBER_2 + "\nauto_open = true")
    assert len(bench.warnings(*changes, by_itself)) == 1


def test_who_has_no_right_to_open_a_bus_does_not_count_as_opening_it(bench: Bench) -> None:
    key = '[map]\nname = "Key"\nkind = "controller"\n[[midi]]\nparameter = "bus open"\nbus = 1\n'
    bench.map("key.toml", key + 'message = "note"\nnumber = 40\naction = "toggle"\n')
    page = f'map = "{MAPPINGS}/engineer-panel.toml"\nlisten = "udp://:9370"\nsource = "192.0.2.20"'
    ines = ('hands = "engineer"\n' + page, 'hands = "ines"\nmap = "key.toml"\nmidi = "Key*"')
    right = ('name = "Ines"', 'name = "Ines"\nmay_touch = ["bus open", "send level"]')
    without, given = (
        [w for w in bench.warnings(ines, *more) if "nothing opens" in w] for more in ((), (right,))
    )
    assert [w.split()[4] for w in without] == ["kit:", "front:"]
    assert [w.split()[4] for w in given] == ["front:"]


# -- controls -----------------------------------------------------------------------------------


def test_a_control_that_its_person_may_not_move_is_found(bench: Bench) -> None:
    (warning,) = bench.warnings(
        ('name = "Ines"', 'name = "Ines"\nmay_touch = ["send level", "send on", "bus master"]')
    )
    assert (
        "tablet.toml:28 osc.2: Ines at ines-tablet may not move send pan of kick in kit" in warning
    )
    assert "and 1 more" in warning


def test_a_control_of_what_the_console_lacks_is_found(bench: Bench) -> None:
    bench.map("own.toml", OWN_CONSOLE.replace("send pan", "send on").replace('"/p', '"/o')
              + 'ask = "/m/{bus}"\n')  # fmt: skip
    (warning,) = bench.warnings(OWN_MAP)
    assert "tablet.toml:28 osc.2: ines-tablet moves send pan of kick in kit and 1 more" in warning


def test_an_entry_about_nothing_is_found(bench: Bench) -> None:
    text = FADER.format(takeover="pickup").replace("bus = 1", "buses = [7, 8]")
    bench.map("few.toml", text.replace("number = 7", "number = { first = 7, per_bus = 1 }"))
    found = bench.warnings(more='[[controller]]\nid = "few"\nhands = "engineer"\nmap = "few.toml"\n'
                           'midi = "Few*"\n')  # fmt: skip
    assert found == [
        "few.toml:4 midi.0: reaches nothing at few; check its channel, bus or group against the rig"
    ]


def test_one_midi_control_with_two_meanings_is_found_at_its_line(bench: Bench) -> None:
    text = FADER.format(takeover="pickup")
    second = text[text.index("[[midi]]") :].replace("bus = 1", "bus = 2")
    bench.map("few.toml", text + second)
    (warning,) = bench.warnings(more='[[controller]]\nid = "few"\nhands = "engineer"\n'
                                'map = "few.toml"\nmidi = "Few*"\n')  # fmt: skip
    assert warning.startswith("few.toml:12 midi.1: Fader box: ")
    assert "means bus master of kit and bus master of front" in warning


def test_two_takeovers_of_one_level_in_one_map_are_found(bench: Bench) -> None:
    text = FADER.format(takeover="pickup")
    second = text[text.index("[[midi]]") :].replace("pickup", "scaled").replace("= 7", "= 8")
    bench.map("few.toml", text + second)
    (warning,) = bench.warnings(more='[[controller]]\nid = "few"\nhands = "engineer"\n'
                                'map = "few.toml"\nmidi = "Few*"\n')  # fmt: skip
    assert "bus master of kit is taken over in different ways" in warning
    assert warning.startswith("few.toml:")


@pytest.mark.parametrize(
    ("takeover", "said"),
    [
        ("pickup", None),
        ("scaled", "bus master of kit: box takes it over by scaled, ines-feet by pickup"),
        ("jump", "bus master of kit: box takes it over by jump, ines-feet by pickup"),
    ],
)
def test_clashing_takeovers_of_two_controllers_are_found(
    bench: Bench, takeover: str, said: str | None
) -> None:
    bench.map(f"{takeover}.toml", FADER.format(takeover=takeover))
    found = bench.warnings(more=FEET + box("box", takeover))
    if said is None:
        assert found == []
    else:
        assert found[0].startswith(f"{takeover}.toml:4 midi.0: {said}; ")


def test_a_blind_jump_on_a_level_that_others_move_is_found(bench: Bench) -> None:
    bench.map("jump.toml", FADER.format(takeover="jump"))
    (warning,) = bench.warnings(more=box("box", "jump"))
    assert "box jumps to where its control stands, and ines-tablet and 1 more moves it" in warning


def test_a_jump_that_is_shown_the_level_is_no_clash(bench: Bench) -> None:
    bench.map("jump.toml", FADER.format(takeover="jump") + 'use = ["move", "show"]\n')
    assert bench.warnings(more=FEET + box("box", "jump")) == []
