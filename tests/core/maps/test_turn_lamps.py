"""What a board with turns is shown: the turn, the levels of the turn, and darkness. Pure."""

from __future__ import annotations

from collections.abc import Callable

from bridge.maps.controller import ConsoleNames, ControllerWords
from bridge.maps.load import parse_map
from bridge.maps.model import MapFile
from bridge.rig.layout import Layout, Parameter
from bridge.wire import osc

WALK = (b"\x91\x28\x40", b"\x81\x28\x40")
Shipped = Callable[[str], MapFile]


def shown(words: ControllerWords, *slots: int) -> list[bytes]:
    """All lamps, then these slots at -20 dB (or on)."""
    lamps = [data for lamp in words.lamps for data in words.feedback(lamp, 0.0)]
    return lamps + [data for slot in slots for data in words.feedback(slot, -20.0)]


def walk(words: ControllerWords) -> None:
    for data in WALK:
        words.decode(data, 0.0)


def test_one_light_of_the_row_is_on_and_the_digit_says_which(
    shipped: Shipped, layout: Layout
) -> None:
    words = ControllerWords(shipped("foot-board-turns"), layout)
    seen = []
    for _ in range(4):
        said = shown(words)
        row = [data[2] for data in said if data[0] == 0x91]
        seen.append((row, [data[2] for data in said if data[:2] == b"\xb1\x0d"]))
        walk(words)
    assert seen == [
        ([127, 0, 0], [1]),
        ([0, 127, 0], [2]),
        ([0, 0, 127], [3]),
        ([127, 0, 0], [1]),
    ]


def test_the_bar_shows_the_level_of_its_turn_and_of_no_other(
    shipped: Shipped, layout: Layout
) -> None:
    words = ControllerWords(shipped("foot-board-turns"), layout, ConsoleNames.own(layout, (1,)))
    levels = [
        layout.slot(Parameter.BUS_MASTER, bus=1),
        layout.slot(Parameter.GROUP, 0),
        layout.slot(Parameter.SEND_LEVEL, 0, 1),
    ]
    for turn in range(3):
        said = [words.feedback(slot, -20.0) for slot in levels]
        bar = (b"\xb1\x0c\x3f",)  # the middle of -40 to 0 dB, rounded down
        assert said == [bar if number == turn else () for number in range(3)]
        assert b"\xb1\x0c\x00" not in shown(words), "the bar of this turn was put out"
        walk(words)


HEAD = """
[map]
name = "Board"
kind = "controller"
[[turn]]
id = "a"
label = "Mix"
[[turn]]
id = "b"
[[midi]]
action = "next turn"
message = "note"
midi_channel = 2
number = 40
"""
BAR = """
[[midi]]
in_turn = "a"
use = ["show"]
parameter = "bus master"
bus = 1
message = "control change"
number = 12
law = { from_db = -40, to_db = 0, off_at_bottom = true }
"""
LIGHT = """
[[midi]]
in_turn = "a"
use = ["show"]
parameter = "bus dim"
bus = 1
message = "note"
number = 20
"""


def test_a_light_that_has_nothing_to_show_in_a_turn_goes_out(layout: Layout) -> None:
    words = ControllerWords(parse_map(HEAD + BAR + LIGHT, "board.toml"), layout)
    assert shown(words) == []
    walk(words)
    assert sorted(shown(words)) == [b"\x90\x14\x00", b"\xb0\x0c\x00"]
    walk(words)
    assert shown(words) == []


def test_a_light_that_another_entry_uses_always_is_never_put_out(layout: Layout) -> None:
    always = LIGHT.replace('in_turn = "a"\n', "").replace("bus dim", "bus mute")
    words = ControllerWords(parse_map(HEAD + LIGHT + always, "board.toml"), layout)
    walk(words)
    assert shown(words) == []


def test_what_depends_on_the_turn_is_named_so_that_it_can_be_shown_anew(layout: Layout) -> None:
    text = HEAD + BAR + LIGHT.replace('in_turn = "a"\n', "")
    words = ControllerWords(parse_map(text, "board.toml"), layout)
    master, dim = (layout.slot(p, bus=0) for p in (Parameter.BUS_MASTER, Parameter.BUS_DIM))
    assert words.shows == {master, dim}
    assert set(words.turning) == {master, *words.lamps}
    assert all(lamp < -1 for lamp in words.lamps)


def test_a_display_that_takes_text_says_the_turn_s_name(layout: Layout) -> None:
    text = """
[map]
name = "Page"
kind = "controller"
[[turn]]
id = "a"
label = "Mix"
[[turn]]
id = "b"
[[osc]]
address = "/turn"
type = "none"
action = "next turn"
[[osc]]
address = "/name"
type = "s"
turn = "*"
use = ["show"]
"""
    words = ControllerWords(parse_map(text, "page.toml"), layout)
    assert shown(words) == [osc.encode("/name", "s", ("Mix",))]
    words.decode(osc.encode("/turn"), 0.0)
    assert shown(words) == [osc.encode("/name", "s", ("b",))]


def test_a_key_may_turn_and_show_its_turn_by_one_message(layout: Layout) -> None:
    key = '[[midi]]\nuse = ["move", "show"]\naction = "turn"\nmessage = "note"\n'
    key += 'turn = "{}"\nnumber = {}\n'
    head = HEAD[: HEAD.index("[[midi]]")]
    text = head + key.format("a", 1) + key.format("b", 2)
    words = ControllerWords(parse_map(text, "board.toml"), layout)
    assert shown(words) == [b"\x90\x01\x7f", b"\x90\x02\x00"]
    words.decode(b"\x90\x02\x40", 0.0)
    assert shown(words) == [b"\x90\x01\x00", b"\x90\x02\x7f"]
