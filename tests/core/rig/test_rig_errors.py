"""What a wrong rig file is answered: file, line, key, what was found and what was expected. I/O."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge import limits
from bridge.errors import Fault, MapError, RigError
from bridge.rig.load import load_rig, map_path, read_text
from bridge.rig.rig import ENGINEER, parse_rig

RIG = """\
[rig]
name = "Ferry Lane, room 2"
[limits]
send_ceiling_db = 3
master_ceiling_db = 0
rise_db_per_s = 6
step_db = 1
[[channel]]
id = "kick"
console = 1
[[channel]]
id = "voice"
label = "Voice"
console = 2
[[bus]]
id = "kit"
console = 1
start_db = -30
start_mix = { voice = -20 }
[[bus]]
id = "front"
label = "Maud"
console = 2
[[performer]]
id = "ines"
name = "Ines"
buses = ["kit"]
[[performer]]
id = "maud"
buses = ["front"]
[[group]]
id = "all"
bus = "kit"
channels = ["kick", "voice"]
[[group]]
id = "few"
bus = "kit"
channels = ["kick"]
[[controller]]
id = "page"
hands = "engineer"
map = "page.toml"
listen = "udp://:9310"
source = "192.0.2.20"
[[controller]]
id = "feet"
hands = "ines"
map = "feet.toml"
midi = "Foot*"
[console]
map = "desk.toml"
send = "udp://192.0.2.10:9000"
"""

Row = tuple[str, str, str, str, str]
"""A line of the rig, what it is changed to, and the fault: key path, found, expected."""

TABLES: tuple[Row, ...] = (
    ('name = "Ferry Lane, room 2"', "", "rig.name", "nothing", "this key"),
    ("step_db = 1", "steps = 1", "limits.steps", "1", "no such key"),
    ("start_db = -30", 'start_db = "low"', "bus.0.start_db", "'low'",
     "a number"),
    ("start_db = -30", "start_db = nan", "bus.0.start_db", "nan", "a finite number"),
    ("start_db = -30", "start_db = -91", "bus.0.start_db", "-91", "greater than or equal to -90"),
    ("send_ceiling_db = 3", "send_ceiling_db = 20.5", "limits.send_ceiling_db", "20.5",
     "less than or equal to 20"),
    ("rise_db_per_s = 6", "rise_db_per_s = 0", "limits.rise_db_per_s", "0",
     "greater than or equal to 0.1"),
    ("rise_db_per_s = 6", "rise_db_per_s = 41", "limits.rise_db_per_s", "41",
     "less than or equal to 40"),
    ("step_db = 1", "step_db = 0.2", "limits.step_db", "0.2", "greater than or equal to 0.25"),
    ("step_db = 1", "step_db = 7", "limits.step_db", "7", "less than or equal to 6"),
    ("step_db = 1", "ramp_floor_db = -10", "limits.ramp_floor_db", "-10",
     "less than or equal to -20"),
    ('id = "kick"', 'id = "Kick drum"', "channel.0.id", "'Kick drum'",
     "1 to 40 of a-z, 0-9, _ and -, the first one a letter or a digit"),
    ('label = "Voice"', 'label = ""', "channel.1.label", "''",
     "at least one character"),
    ('label = "Maud"', 'width = "wide"', "bus.1.width", "'wide'", "'mono' or 'stereo'"),
    ('label = "Maud"', 'tap = "mid"', "bus.1.tap", "'mid'", "'pre' or 'post'"),
    ('label = "Maud"', "dim_db = 0", "bus.1.dim_db", "0", "greater than 0"),
    ('label = "Maud"', "auto_open = 7", "bus.1.auto_open", "7",
     "true or false"),
    ('buses = ["kit"]', "buses = []", "performer.0.buses", "[]",
     "at least 1 in the list"),
    ('channels = ["kick"]', "channels = []", "group.1.channels", "[]",
     "at least 1 in the list"),
    ('send = "udp://192.0.2.10:9000"', 'send = "udp://192.0.2.10:9000"\ndelay_s = 0.3',
     "console.delay_s", "0.3", "less than or equal to 0.25"),
    ('send = "udp://192.0.2.10:9000"', 'send = "udp://192.0.2.10:9000"\nanswer_s = 0',
     "console.answer_s", "0", "greater than or equal to 0.1"),
    ('send = "udp://192.0.2.10:9000"', 'send = "udp://192.0.2.10:9000"\nbytes_per_s = -1',
     "console.bytes_per_s", "-1", "greater than or equal to 50"),
    ('send = "udp://192.0.2.10:9000"', 'send = "udp://192.0.2.10:9000"\nmessages_per_s = 0',
     "console.messages_per_s", "0", "greater than or equal to 2"),
)  # fmt: skip

CONTRADICTIONS: tuple[Row, ...] = (
    ('id = "voice"', 'id = "kick"', "channel.1.id", "'kick'", "an id that no other channel has"),
    ('label = "Voice"\nconsole = 2', "console = 1", "channel.1.console", "1",
     "a console that no other channel has"),
    ('id = "front"', 'id = "kit"', "bus.1.id", "'kit'", "an id that no other bus has"),
    ('label = "Maud"\nconsole = 2', "console = 1", "bus.1.console", "1",
     "a console that no other bus has"),
    ('id = "maud"', 'id = "ines"', "performer.1.id", "'ines'", "an id that no other performer has"),
    ('id = "few"', 'id = "all"', "group.1.id", "'all'", "an id that no other group has"),
    ('id = "feet"', 'id = "page"', "controller.1.id", "'page'",
     "an id that no other controller has"),
    ("start_mix = { voice = -20 }", "start_mix = { vox = -20 }", "bus.0.start_mix.vox", "'vox'",
     "one of kick, voice"),
    ('hands = "ines"', 'hands = "bela"', "controller.1.hands", "'bela'",
     "one of engineer, ines, maud"),
    ('bus = "kit"\nchannels = ["kick"]', 'bus = "side"\nchannels = ["kick"]', "group.1.bus",
     "'side'", "one of front, kit"),
    ('channels = ["kick"]', 'channels = ["click"]', "group.1.channels", "'click'",
     "one of kick, voice"),
    ('buses = ["front"]', 'buses = ["front", "rear"]', "performer.1.buses", "'rear'",
     "one of front, kit"),
    ('id = "maud"', 'id = "engineer"', "performer.1.id", "'engineer'",
     "another id: the engineer has this one"),
    ('label = "Maud"', "send_ceiling_db = 4", "bus.1.send_ceiling_db", "4",
     "at most limits.send_ceiling_db, 3"),
    ('label = "Maud"', "master_ceiling_db = 0.5", "bus.1.master_ceiling_db", "0.5",
     "at most limits.master_ceiling_db, 0"),
    ('label = "Maud"', "rise_db_per_s = 7", "bus.1.rise_db_per_s", "7",
     "at most limits.rise_db_per_s, 6"),
    ('label = "Maud"', "step_db = 1.5", "bus.1.step_db", "1.5", "at most limits.step_db, 1"),
    ('label = "Maud"', "start_db = 1", "bus.1.start_db", "1", "at most its ceiling, 0"),
    ('label = "Maud"', "start_db = -9\nmaster_ceiling_db = -10", "bus.1.start_db", "-9",
     "at most its ceiling, -10"),
    ('label = "Maud"', "start_mix = { kick = 3.5 }", "bus.1.start_mix.kick", "3.5",
     "at most the send ceiling, 3"),
    ('label = "Maud"', "start_mix = { kick = -5 }\nsend_ceiling_db = -6", "bus.1.start_mix.kick",
     "-5", "at most the send ceiling, -6"),
    ('source = "192.0.2.20"', "", "controller.0.source", "nothing",
     "the address that it sends from"),
    ('source = "192.0.2.20"', 'source = "the tablet"', "controller.0.source", "'the tablet'",
     "192.0.2.20 or 192.0.2.20:9000"),
)  # fmt: skip

TABLE_WIDE = (
    ('midi = "Foot*"', "", '[[controller]]\nid = "feet"', "controller.1",
     "both or neither of 'listen' and 'midi'"),
    ('midi = "Foot*"', 'midi = "Foot*"\nlisten = "udp://:9311"\nsource = "192.0.2.2"',
     '[[controller]]\nid = "feet"', "controller.1", "both or neither of 'listen' and 'midi'"),
    ('send = "udp://192.0.2.10:9000"', "", "[console]", "console",
     "both or neither of 'send' and 'midi'"),
    ('send = "udp://192.0.2.10:9000"', 'send = "udp://192.0.2.10:9000"\nmidi = "Desk*"',
     "[console]", "console", "both or neither of 'send' and 'midi'"),
)  # fmt: skip
"""As above, but what is found is a whole table: its header's text, its key, what is found."""


def faults_of(text: str) -> tuple[Fault, ...]:
    with pytest.raises(RigError) as caught:
        parse_rig(text, "house.toml")
    return caught.value.faults


def line_with(text: str, part: str) -> int:
    """The line of a part that stands once in the text."""
    assert text.count(part) == 1, part
    return text[: text.index(part)].count("\n") + 1


def changed(old: str, new: str, key: str) -> tuple[str, int]:
    """The rig with one change, and the line where the key, or the table it misses in, stands."""
    at = line_with(RIG, old)
    for number, line in enumerate(new.splitlines()):
        if line.split(" = ")[0] in key.split("."):
            return RIG.replace(old, new), at + number
    text = RIG.replace(old, new)
    return text, line_with(text, TABLE_OF[key])


TABLE_OF = {
    "rig.name": "[rig]",
    "controller.0.source": '[[controller]]\nid = "page"',
}
"""Where a key that is missing is shown."""


def test_the_house_itself_is_right() -> None:
    rig = parse_rig(RIG, "house.toml")
    assert rig.layout.channels == ("kick", "voice")
    assert [rig.hands(controller) for controller in rig.file.controller] == [ENGINEER, 0]
    assert rig.channel_label(0) == "kick" and rig.channel_label(1) == "Voice"
    assert rig.bus_label(0) == "kit" and rig.bus_label(1) == "Maud"
    assert [rig.person(who) for who in (0, 1, ENGINEER)] == ["Ines", "maud", "engineer"]


@pytest.mark.parametrize("row", TABLES + CONTRADICTIONS, ids=lambda row: f"{row[2]} {row[1]}")
def test_a_fault_says_file_line_key_found_and_expected(row: Row) -> None:
    old, new, key, found, expected = row
    text, line = changed(old, new, key)
    faults = faults_of(text)
    assert faults[0] == Fault(f"house.toml:{line} {key}", found, expected)
    assert len(faults) == 1 or key in ("channel.1.id", "bus.1.id"), "others miss the old name"


@pytest.mark.parametrize(("old", "new", "header", "key", "found"), TABLE_WIDE)
def test_a_road_that_is_missing_or_double_is_found_at_its_table(
    old: str, new: str, header: str, key: str, found: str
) -> None:
    text = RIG.replace(old, new)
    where = f"house.toml:{line_with(text, header)} {key}"
    assert Fault(where, found, "one of them") in faults_of(text)


def test_several_faults_are_told_together() -> None:
    text = RIG.replace("start_db = -30", "start_db = -100").replace('width = "stereo"', "")
    text = text.replace("step_db = 1", "step_db = 9").replace('label = "Maud"', "nominal_db = true")
    text = text.replace('label = "Voice"', 'colour = "red"')
    keys = [fault.where.partition(" ")[2] for fault in faults_of(text)]
    assert keys == ["limits.step_db", "channel.1.colour", "bus.0.start_db", "bus.1.nominal_db"]


def test_several_contradictions_are_told_together() -> None:
    text = RIG.replace('hands = "ines"', 'hands = "bela"').replace('id = "voice"', 'id = "kick"')
    text = text.replace('label = "Maud"', "start_db = 2").replace('source = "192.0.2.20"', "")
    keys = [fault.where.partition(" ")[2] for fault in faults_of(text)]
    assert keys == [
        "channel.1.id", "bus.0.start_mix.voice", "controller.1.hands", "group.0.channels",
        "bus.1.start_db", "controller.0.source",
    ]  # fmt: skip


def test_the_whole_text_of_an_error_has_one_line_a_fault() -> None:
    text = RIG.replace("step_db = 1", "step_db = 9").replace('id = "few"', "id = 4")
    with pytest.raises(RigError) as caught:
        parse_rig(text, "house.toml")
    assert str(caught.value) == (
        "house.toml:7 limits.step_db: found 9, expected less than or equal to 6\n"
        f"house.toml:{line_with(text, 'id = 4')} group.1.id: found 4, expected a text in quotes"
    )


def test_a_long_value_is_not_repeated_whole() -> None:
    (fault,) = faults_of(RIG.replace('id = "kick"', f'id = "{"k" * 500}"'))
    assert len(fault.found) <= 60


def test_no_channel_and_no_bus_is_no_rig() -> None:
    keys = [fault.where for fault in faults_of('[rig]\nname = "empty"\n')]
    assert keys == ["house.toml:1 channel", "house.toml:1 bus", "house.toml:1 console"]


# -- files --------------------------------------------------------------------------------------


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    path = tmp_path / "house.toml"
    with pytest.raises(RigError) as caught:
        load_rig(path)
    assert caught.value.faults == (
        Fault(str(path), "No such file or directory", "a readable file"),
    )


def test_a_folder_is_no_rig(tmp_path: Path) -> None:
    with pytest.raises(RigError) as caught:
        load_rig(tmp_path)
    assert caught.value.faults[0].expected == "a readable file"


def test_bytes_that_are_no_text_are_found(tmp_path: Path) -> None:
    path = tmp_path / "house.toml"
    path.write_bytes(b"[rig]\nname = \xff\n")
    with pytest.raises(RigError) as caught:
        load_rig(path)
    assert caught.value.faults == (
        Fault(str(path), "byte 13 that is no UTF-8", "a text file in UTF-8"),
    )


def test_a_file_that_is_too_large_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "house.toml"
    path.write_text("#" * (limits.FILE_BYTES_MAX + 1))
    with pytest.raises(RigError) as caught:
        load_rig(path)
    found, expected = "more than 1000000 bytes", f"at most {limits.FILE_BYTES_MAX}"
    assert caught.value.faults == (Fault(str(path), found, expected),)


def test_a_file_of_the_largest_size_is_read(tmp_path: Path) -> None:
    path = tmp_path / "house.toml"
    path.write_text(RIG + "#" * (limits.FILE_BYTES_MAX - len(RIG)))
    assert load_rig(path).where == str(path)


def test_a_map_that_is_not_there_is_a_fault_of_the_map(tmp_path: Path) -> None:
    with pytest.raises(MapError):
        read_text(tmp_path / "desk.toml", MapError)


def test_a_map_is_looked_for_beside_the_rig() -> None:
    rig = parse_rig(RIG, "/rigs/house.toml")
    assert map_path(rig, "../desk.toml") == Path("/rigs/../desk.toml")
    assert map_path(rig, "/maps/desk.toml") == Path("/maps/desk.toml")


def test_a_file_that_is_no_toml_is_told_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "house.toml"
    path.write_text('[rig]\nname = "Ferry Lane"\nname = "twice"\n')
    with pytest.raises(RigError) as caught:
        load_rig(path)
    assert caught.value.faults == (Fault(f"{path}:3", "Cannot overwrite a value", "TOML 1.0"),)
