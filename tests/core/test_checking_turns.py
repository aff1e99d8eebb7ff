"""What `check` and the schema know of turns and presses. I/O."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from support.checked import MAPPINGS, Bench
from test_shipped_rigs import breaks

from bridge import cli

GROUP = '\n[[group]]\nid = "me"\nbus = "kit"\nchannels = ["kick"]\nagainst = ["voice"]\n'
FEET = '[[controller]]\nid = "feet"\nhands = "ines"\nmap = "board.toml"\nmidi = "Feet*"\n'
OTHER = FEET.replace("feet", "spare").replace("board", "spare").replace("Feet*", "Fe*")
PEDAL = """
[[midi]]
in_turn = "{turn}"
parameter = "{parameter}"
bus = 1
message = "control change"
number = 11
law = {{ from_db = -40, to_db = -10 }}
"""
BOARD = (
    '[map]\nname = "Board"\nkind = "controller"\n[[turn]]\nid = "mix"\n[[turn]]\nid = "kick"\n'
    '[[midi]]\naction = "next turn"\nmessage = "note"\nnumber = 1\n'
    + PEDAL.format(turn="mix", parameter="bus master")
    + PEDAL.format(turn="kick", parameter="send level")
    + "channel = 1\n"
)


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    made = Bench(tmp_path)
    made.map("board.toml", BOARD)
    return made


def test_one_message_with_two_meanings_in_two_turns_is_no_clash(bench: Bench) -> None:
    assert bench.warnings(more=FEET) == []


def test_one_message_with_two_meanings_in_one_turn_is_told_with_its_line(bench: Bench) -> None:
    clash = BOARD.replace('in_turn = "kick"', 'in_turn = "mix"')
    bench.map("board.toml", clash)
    (warning,) = bench.warnings(more=FEET)
    assert "control change 11 on MIDI channel 1 means bus master of kit and send level" in warning
    assert warning.startswith("board.toml:")


def test_a_turn_s_own_key_is_no_entry_about_nothing(bench: Bench) -> None:
    light = '[[midi]]\nuse = ["show"]\nturn = "{}"\nmessage = "note"\nnumber = 2\n'
    bench.map("board.toml", BOARD + light.format("kick") + light.format("*").replace("2", "3"))
    assert bench.warnings(more=FEET) == []


def test_two_boards_on_one_port_clash_in_whichever_turn(bench: Bench) -> None:
    """The second turn's meaning counts too, though the first one is on when checked."""
    bench.map("spare.toml", BOARD.replace("number = 11", "number = 12", 1).replace(
        'number = 1\n', 'number = 90\n', 1))  # fmt: skip
    warnings = bench.warnings(more=FEET + OTHER)
    (shared,) = [each for each in warnings if "one port" in each]
    assert "control change 11 on MIDI channel 1 means something at both" in shared


def test_a_right_that_only_one_turn_would_need_is_missed(bench: Bench) -> None:
    own = '[[performer]]\nid = "ines"\nname = "Ines"\nbuses = ["kit"]\n'
    warnings = bench.warnings((own, own + 'may_touch = ["bus master"]\n'), more=FEET)
    mine = [each for each in warnings if "at feet" in each]
    assert len(mine) == 1
    assert mine[0].startswith("board.toml:")
    assert "Ines at feet may not move send level of kick in kit" in mine[0]


def test_a_group_against_the_rest_is_sound(bench: Bench) -> None:
    assert bench.warnings(more=GROUP) == []
    (fault,) = bench.faults(more=GROUP.replace('against = ["voice"]', 'against = ["kick"]'))
    line = bench.line('against = ["kick"]')
    assert fault == (
        f"house.toml:{line} group.0.against: found 'kick', "
        "expected channels that are not in the group"
    )


# -- the schema ------------------------------------------------------------------------------------


@pytest.fixture
def schema(capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    assert cli.main(["schema", "map"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


@pytest.mark.parametrize("kind", ["MidiEntry", "OscEntry"])
def test_the_schema_says_what_an_entry_may_say_of_feet(kind: str, schema: dict[str, Any]) -> None:
    keys = schema["$defs"][kind]["properties"]
    assert keys["dead_zone"]["maximum"] == 0.25
    assert {"turn", "next turn", "previous turn", "toggle"} <= set(keys["action"]["enum"])
    assert {"in_turn", "turn", "long_press", "double_press"} <= set(keys)
    assert "parameter" not in schema["$defs"][kind].get("required", ())
    twice = schema["$defs"]["DoublePress"]["properties"]["within_s"]
    assert (twice["minimum"], twice["maximum"], twice["default"]) == (0.1, 2.0, 0.35)


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("turn", [{"label": "Mix"}], ".turn.0.id is missing"),
        ("turn", [{"id": "Mix"}], ".turn.0.id: 'Mix' does not match"),
        ("turn", [{"id": "mix", "colour": 1}], ".turn.0.colour: no such key"),
        ("midi", [{"message": "note", "dead_zone": 0.5}], ".midi.0.dead_zone: 0.5 is out of range"),
        ("midi", [{"message": "note", "double_press": {"within_s": 9}}],
         ".midi.0.double_press.within_s: 9 is out of range"),
        ("midi", [{"message": "note", "action": "turns"}], ".midi.0.action: 'turns' is none of"),
    ],
)  # fmt: skip
def test_the_schema_refuses_what_the_loader_refuses(
    key: str, value: Any, said: str, schema: dict[str, Any]
) -> None:
    text = (MAPPINGS / "foot-board-turns.toml").read_text(encoding="utf-8")
    table = tomllib.loads(text) | {key: value}
    found = breaks(table, schema, schema)
    assert any(one.startswith(said) for one in found), found
