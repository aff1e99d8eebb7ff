"""One pedal, several things in turn: who speaks, what turns, and what never moves. Pure."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.maps.controller import FLIP, SET, STEP, ConsoleNames, ControllerWords, Move
from bridge.maps.load import parse_map
from bridge.maps.model import MapFile
from bridge.maps.reach import find_conflicts
from bridge.rig.layout import Layout, Parameter
from bridge.wire import osc

README = Path(__file__).parents[3] / "mappings" / "README.md"

TURNS = """
[map]
name = "Board"
kind = "controller"
[[turn]]
id = "mix"
[[turn]]
id = "voice"
label = "My voice"
[[turn]]
id = "band"
"""
PEDALS = """
[[midi]]
label = "pedal"
in_turn = "mix"
parameter = "bus master"
bus = 1
message = "control change"
number = 11
law = { from_db = -40, to_db = 0 }
[[midi]]
label = "pedal"
in_turn = "voice"
parameter = "send level"
channel = 3
bus = 1
message = "control change"
number = 11
law = { from_db = -60, to_db = 0 }
"""
NEXT = '[[midi]]\naction = "next turn"\nmessage = "note"\nnumber = 1\n'
BACK = '[[midi]]\naction = "previous turn"\nmessage = "note"\nnumber = 2\n'
HOME = '[[midi]]\naction = "turn"\nturn = "mix"\nmessage = "program change"\nnumber = 3\n'
WALK, WALK_BACK = (b"\x90\x01\x40", b"\x80\x01\x40"), (b"\x90\x02\x40", b"\x80\x02\x40")
GO_HOME = (b"\xc0\x03",)


def board(text: str, layout: Layout) -> ControllerWords:
    return ControllerWords(parse_map(TURNS + text, "board.toml"), layout)


def play(words: ControllerWords, *datas: bytes, at_s: float = 0.0) -> list[Move]:
    return [move for data in datas for move in words.decode(data, at_s)]


def pedal(words: ControllerWords, value: int = 64) -> list[int]:
    """The slots that the pedal moves now."""
    return [move.slot for move in words.decode(bytes((0xB0, 11, value)), 0.0)]


def test_a_pedal_means_what_its_turn_says_and_nothing_where_none_is_said(layout: Layout) -> None:
    words = board(PEDALS + NEXT, layout)
    meant = []
    for _ in range(4):
        meant.append(pedal(words))
        assert play(words, *WALK) == []
    master = layout.slot(Parameter.BUS_MASTER, bus=0)
    assert meant == [[master], [layout.slot(Parameter.SEND_LEVEL, 2, 0)], [], [master]]
    assert words.unknown == 0


def test_turns_go_both_ways_around_and_straight_home(layout: Layout) -> None:
    words = board(PEDALS + NEXT + BACK + HOME, layout)
    been = [words.turns.now]
    for said in (WALK_BACK, WALK, WALK, WALK, WALK, GO_HOME, WALK, GO_HOME, GO_HOME):
        play(words, *said)
        been.append(words.turns.now)
    assert been == [0, 2, 0, 1, 2, 0, 0, 1, 0, 0]


def test_whoever_wants_to_know_is_told_of_every_change_and_of_nothing_else(layout: Layout) -> None:
    words = board(PEDALS + NEXT + HOME, layout)
    told: list[int] = []
    words.on_turn = lambda: told.append(words.turns.now)
    play(words, *GO_HOME, *WALK, *GO_HOME)
    pedal(words)
    assert told == [1, 0]


def test_a_long_and_a_double_press_may_turn(layout: Layout) -> None:
    text = NEXT + 'long_press = { action = "turn", turn = "mix" }\n'
    text += 'double_press = { action = "previous turn" }\n'
    words = board(PEDALS + text, layout)
    play(words, *WALK, at_s=5.0)
    assert words.turns.now == 0
    assert words.advance(words.next_wake_s()) == []
    assert words.turns.now == 1
    play(words, *WALK, *WALK, at_s=7.0)
    assert words.turns.now == 0
    play(words, *WALK, *WALK, at_s=8.0)
    assert words.turns.now == 2
    play(words, WALK[0], at_s=9.0)
    words.advance(9.81)
    assert words.turns.now == 0


def test_what_a_press_meant_when_it_began_it_means_to_its_end(layout: Layout) -> None:
    held = '[[midi]]\nin_turn = "{}"\nparameter = "{}"\nbus = 1\nmessage = "note"\nnumber = 9\n'
    text = held.format("mix", "bus mute") + 'action = "momentary"\n'
    text += held.format("voice", "bus dim") + 'action = "momentary"\n'
    words = board(PEDALS + NEXT + text, layout)
    mute, dim = (layout.slot(p, bus=0) for p in (Parameter.BUS_MUTE, Parameter.BUS_DIM))
    down, up = b"\x90\x09\x40", b"\x80\x09\x40"
    moves = play(words, down, *WALK, up, down, up)
    assert [(m.slot, m.value) for m in moves] == [(mute, 1.0), (mute, 0.0), (dim, 1.0), (dim, 0.0)]


def test_a_switch_that_turns_away_from_itself_is_no_press_of_its_successor(layout: Layout) -> None:
    text = NEXT.replace("[[midi]]", '[[midi]]\nin_turn = "mix"')
    other = (
        '[[midi]]\nin_turn = "{}"\nparameter = "bus dim"\nbus = 1\nmessage = "note"\nnumber = 1\n'
    )
    text += other.format("voice") + 'action = "toggle"\n' + BACK
    words = board(PEDALS + text, layout)
    assert play(words, *WALK) == []
    assert words.turns.now == 1
    (move,) = play(words, *WALK)
    assert (move.slot, move.action) == (layout.slot(Parameter.BUS_DIM, bus=0), FLIP)


def test_what_speaks_in_all_turns_speaks_in_all_turns(layout: Layout) -> None:
    text = '[[midi]]\nparameter = "bus dim"\nbus = 1\naction = "toggle"\n'
    text += 'message = "note"\nnumber = 7\n'
    words = board(PEDALS + NEXT + text, layout)
    for _ in range(3):
        assert len(play(words, b"\x90\x07\x40", b"\x80\x07\x40")) == 1
        play(words, *WALK)


def test_a_wheel_and_a_step_may_stand_in_a_turn(layout: Layout) -> None:
    text = """
[[midi]]
in_turn = "voice"
parameter = "bus master"
bus = 1
message = "control change"
number = 20
action = "relative"
step_db = 0.5
"""
    words = board(PEDALS + NEXT + text, layout)
    assert play(words, b"\xb0\x14\x02") == []
    play(words, *WALK)
    (move,) = play(words, b"\xb0\x14\x02")
    assert (move.action, move.value) == (STEP, 1.0)


OSC = """
[map]
name = "Page"
kind = "controller"
[[turn]]
id = "a"
[[turn]]
id = "b"
[[osc]]
address = "/turn"
type = "none"
action = "next turn"
[[osc]]
in_turn = "a"
address = "/x"
parameter = "send level"
channel = 1
bus = 1
takeover = "jump"
use = ["move", "show"]
[[osc]]
in_turn = "b"
address = "/x"
parameter = "send level"
channel = 2
bus = 1
takeover = "jump"
use = ["move", "show"]
[[osc]]
address = "/y"
parameter = "send level"
channel = 3
bus = 1
takeover = "jump"
[[osc]]
in_turn = "a"
address = "/z"
parameter = "send level"
channel = 4
bus = 1
takeover = "jump"
use = ["move", "show"]
"""


def test_no_short_cut_remembers_what_another_turn_meant(layout: Layout) -> None:
    words = ControllerWords(parse_map(OSC, "page.toml"), layout)
    faders = [osc.encode(address, "f", (-6.0,)) for address in ("/x", "/y", "/z")]
    for channels in ((0, 2, 3), (1, 2), (0, 2, 3)):
        slots = [layout.slot(Parameter.SEND_LEVEL, channel, 0) for channel in channels]
        for _ in range(3):  # the second time a look-up is enough
            assert [m.slot for m in play(words, *faders)] == slots
        words.decode(osc.encode("/turn"), 0.0)


def test_half_a_value_that_waits_means_what_its_end_finds(layout: Layout) -> None:
    text = PEDALS.replace('"control change"', '"control change 14"')
    words = board(text + NEXT, layout)
    play(words, b"\xb0\x0b\x40", *WALK)
    (move,) = play(words, b"\xb0\x2b\x00")
    assert move.slot == layout.slot(Parameter.SEND_LEVEL, 2, 0)


def test_the_same_message_in_two_turns_is_no_clash_and_beside_all_turns_it_is(
    layout: Layout,
) -> None:
    def conflicts(text: str) -> list[str]:
        map_file = parse_map(TURNS + text, "board.toml")
        return find_conflicts(map_file, ControllerWords(map_file, layout), layout)

    assert conflicts(PEDALS + NEXT) == []
    always = PEDALS.replace('in_turn = "voice"\n', "")
    (found,) = conflicts(always + NEXT)
    assert "control change 11 on MIDI channel 1 means bus master of kit and send level" in found
    same = PEDALS.replace('in_turn = "voice"', 'in_turn = "mix"')
    assert len(conflicts(same + NEXT)) == 1
    (turning,) = conflicts(PEDALS + NEXT + HOME + HOME.replace("mix", "band"))
    assert turning == "Board: program change 3 on MIDI channel 1 means another turn twice"


def test_two_takeovers_of_one_level_clash_within_a_turn_only(layout: Layout) -> None:
    def conflicts(turn: str) -> list[str]:
        other = PEDALS.split("[[midi]]")[1].replace("11", "12").replace('"mix"', f'"{turn}"')
        text = TURNS + PEDALS + NEXT + "[[midi]]" + other + 'takeover = "scaled"\n'
        map_file = parse_map(text, "board.toml")
        return find_conflicts(map_file, ControllerWords(map_file, layout), layout)

    assert conflicts("band") == []
    assert "bus master of kit is taken over in different ways" in conflicts("mix")[0]


def test_what_a_message_may_mean_in_any_turn_is_answered_without_doing_it(layout: Layout) -> None:
    words = board(PEDALS + NEXT, layout)
    assert words.understands(WALK[0])
    assert words.understands(b"\xb0\x0b\x01")
    assert not words.understands(b"\xb0\x0c\x01")
    assert (words.turns.now, words.unknown) == (0, 0)


@pytest.mark.parametrize("number", [1, 2])
def test_the_shipped_board_moves_its_player_s_own_mix(
    number: int, shipped: Callable[[str], MapFile], layout: Layout
) -> None:
    own = ConsoleNames.own(layout, (number,))
    words = ControllerWords(shipped("foot-board-turns"), layout, own)
    turn = (b"\x91\x28\x40", b"\x81\x28\x40")
    meant = []
    for _ in range(3):
        meant += [m.slot for m in words.decode(b"\xb1\x0b\x40", 0.0)]
        play(words, *turn)
    assert meant == [
        layout.slot(Parameter.BUS_MASTER, bus=number),
        layout.slot(Parameter.GROUP, 0),
        layout.slot(Parameter.SEND_LEVEL, 0, number),
    ]
    (ask,) = _told(words, b"\x91\x29\x40", b"\x81\x29\x40")
    assert (ask.slot, ask.action, ask.value) == (
        layout.slot(Parameter.ASK, 1, number), SET, 1.0)  # fmt: skip


def _told(words: ControllerWords, *datas: bytes) -> list[Move]:
    return play(words, *datas, at_s=1.0) + words.advance(2.0)


def test_the_readme_s_examples_of_turns_are_a_map(layout: Layout) -> None:
    blocks = [block.split("```")[0] for block in README.read_text("utf-8").split("```toml\n")[1:]]
    mine = [block for block in blocks if "turn" in block and "[[midi]]" in block]
    assert len(mine) == 2
    head = '[map]\nname = "Example"\nkind = "controller"\n'
    words = ControllerWords(parse_map(head + "".join(mine), "README.md"), layout)
    assert words.turns.names == ("mix", "me")
    assert pedal(words) == [layout.slot(Parameter.BUS_MASTER, bus=0)]
    play(words, b"\x90\x28\x40", b"\x80\x28\x40")
    assert pedal(words) == [layout.slot(Parameter.GROUP, 0)]
