"""Short, long and double presses: each is one thing, told in its time. Pure."""

from __future__ import annotations

import math

import pytest

from bridge.maps.controller import FLIP, SET, STEP, ControllerWords, Move
from bridge.maps.load import parse_map
from bridge.rig.layout import Layout, Parameter

HEAD = '[map]\nname = "Board"\nkind = "controller"\n'
SWITCH = (
    '[[midi]]\nparameter = "bus dim"\nbus = 1\nmessage = "note"\nnumber = 60\naction = "toggle"\n'
)
LONG = 'long_press = { hold_s = 1.0, parameter = "bus mute" }\n'
TWICE = (
    'double_press = { within_s = 0.35, parameter = "bus master", action = "step", step_db = -3 }\n'
)
DOWN, UP = b"\x90\x3c\x40", b"\x80\x3c\x40"


class Board:
    """A switch that is pressed at moments, and everything it meant."""

    def __init__(self, text: str, layout: Layout) -> None:
        self.words = ControllerWords(parse_map(HEAD + text, "board.toml"), layout)
        names = {
            layout.slot(Parameter.BUS_DIM, bus=0): "short",
            layout.slot(Parameter.BUS_MUTE, bus=0): "long",
            layout.slot(Parameter.BUS_MASTER, bus=0): "double",
        }
        self._names, self.told = names, list[tuple[float, str]]()

    def _take(self, at_s: float, moves: list[Move]) -> None:
        self.told += [(at_s, self._names[move.slot]) for move in moves]

    @property
    def said(self) -> list[tuple[float, str]]:
        """The same to the millisecond."""
        return [(round(at_s, 3), what) for at_s, what in self.told]

    def wait(self, until_s: float) -> None:
        """Let time pass as a loop does: wake when asked to."""
        while (due_s := self.words.next_wake_s()) <= until_s:
            self._take(due_s, self.words.advance(due_s))

    def say(self, data: bytes, at_s: float) -> None:
        self.wait(at_s)
        self._take(at_s, self.words.decode(data, at_s))

    def press(self, down_s: float, up_s: float) -> None:
        self.say(DOWN, down_s)
        self.say(UP, up_s)


def test_a_short_press_acts_when_no_second_one_has_come_in_time(layout: Layout) -> None:
    board = Board(SWITCH + TWICE, layout)
    board.press(5.0, 5.1)
    assert board.said == []
    assert board.words.next_wake_s() == pytest.approx(5.35)
    board.wait(9.0)
    assert board.said == [(5.35, "short")]


def test_a_second_press_in_time_is_a_double_one_at_once_and_nothing_else(layout: Layout) -> None:
    board = Board(SWITCH + TWICE, layout)
    board.press(5.0, 5.1)
    board.press(5.3, 5.4)
    board.wait(9.0)
    assert board.said == [(5.3, "double")]
    assert board.words.next_wake_s() == math.inf


def test_a_second_press_too_late_is_another_short_one(layout: Layout) -> None:
    board = Board(SWITCH + TWICE, layout)
    board.press(5.0, 5.1)
    board.press(5.36, 5.4)
    board.wait(9.0)
    assert board.said == [(5.35, "short"), (5.71, "short")]


def test_a_third_press_begins_anew(layout: Layout) -> None:
    board = Board(SWITCH + TWICE, layout)
    for down_s in (5.0, 5.2, 5.4):
        board.press(down_s, down_s + 0.05)
    board.wait(9.0)
    assert board.said == [(5.2, "double"), (5.75, "short")]


def test_four_presses_in_a_row_are_two_double_ones(layout: Layout) -> None:
    board = Board(SWITCH + TWICE, layout)
    for down_s in (5.0, 5.1, 5.2, 5.3):
        board.press(down_s, down_s + 0.05)
    board.wait(9.0)
    assert board.said == [(5.1, "double"), (5.3, "double")]


def test_a_press_that_lasts_is_short_without_a_long_meaning_and_told_once(layout: Layout) -> None:
    board = Board(SWITCH + TWICE, layout)
    board.press(5.0, 8.0)
    board.wait(9.0)
    assert board.said == [(5.35, "short")]


def test_with_all_three_a_held_press_is_long_and_its_release_says_nothing(layout: Layout) -> None:
    board = Board(SWITCH + LONG + TWICE, layout)
    board.press(5.0, 7.0)
    board.wait(9.0)
    assert board.said == [(6.0, "long")]


def test_with_all_three_a_short_press_waits_for_a_second_one(layout: Layout) -> None:
    board = Board(SWITCH + LONG + TWICE, layout)
    board.press(5.0, 5.1)
    board.wait(9.0)
    assert board.said == [(5.35, "short")]


def test_a_press_between_double_and_long_acts_on_its_release(layout: Layout) -> None:
    board = Board(SWITCH + LONG + TWICE, layout)
    board.press(5.0, 5.6)
    assert board.said == [(5.6, "short")]
    board.wait(9.0)
    assert len(board.told) == 1


def test_the_second_press_of_a_double_one_does_not_become_long(layout: Layout) -> None:
    board = Board(SWITCH + LONG + TWICE, layout)
    board.press(5.0, 5.1)
    board.press(5.2, 8.0)
    board.wait(9.0)
    assert board.said == [(5.2, "double")]


def test_a_long_time_to_wait_does_not_outlast_a_long_press(layout: Layout) -> None:
    patient = TWICE.replace("0.35", "2.0")
    board = Board(SWITCH + LONG + patient, layout)
    board.press(5.0, 6.5)
    board.wait(9.0)
    assert board.said == [(6.0, "long")]


def test_what_was_due_is_told_before_a_press_that_was_not_waited_for(layout: Layout) -> None:
    """A loop that was late: nobody has let time pass before the second press came."""
    board = Board(SWITCH + TWICE, layout)
    first = [*board.words.decode(DOWN, 5.0), *board.words.decode(UP, 5.1)]
    late = board.words.decode(DOWN, 7.0)
    dim = Move(0, 0, FLIP, 0.0)._replace(slot=board.words.controls[0].slots[0])
    assert (first, late) == ([], [dim])


def test_a_button_that_says_presses_only_can_be_pressed_twice(layout: Layout) -> None:
    board = Board(SWITCH + TWICE + "releases = false\n", layout)
    for at_s in (5.0, 5.2, 6.0):
        board.say(DOWN, at_s)
    board.wait(9.0)
    assert board.said == [(5.2, "double"), (6.35, "short")]


def test_a_program_change_can_be_pressed_twice(layout: Layout) -> None:
    text = SWITCH.replace('"note"\nnumber = 60', '"program change"\nnumber = 7')
    board = Board(text + TWICE, layout)
    for at_s in (5.0, 5.2, 6.0):
        board.say(b"\xc0\x07", at_s)
    board.wait(9.0)
    assert board.said == [(5.2, "double"), (6.35, "short")]


def test_a_plug_that_comes_out_ends_a_held_press_and_keeps_one_that_was_over(
    layout: Layout,
) -> None:
    held = Board(SWITCH + LONG + TWICE, layout)
    held.say(DOWN, 5.0)
    held.words.clear()
    held.wait(9.0)
    assert held.told == []
    over = Board(SWITCH + LONG + TWICE, layout)
    over.press(5.0, 5.1)
    over.words.clear()
    over.wait(9.0)
    assert over.said == [(5.35, "short")]


def test_two_switches_do_not_wait_for_one_another(layout: Layout) -> None:
    other = SWITCH.replace("60", "61").replace("bus dim", "bus mute")
    board = Board(SWITCH + TWICE + other, layout)
    board.say(DOWN, 5.0)
    board.say(b"\x90\x3d\x40", 5.1)
    assert board.said == [(5.1, "long")]  # the other one's mute: at once, on the press
    board.wait(9.0)
    assert board.said[1:] == [(5.35, "short")]


def test_a_double_press_says_what_its_table_says(layout: Layout) -> None:
    board = Board(SWITCH + TWICE, layout)
    board.words.decode(DOWN, 5.0)
    board.words.decode(UP, 5.1)
    (move,) = board.words.decode(DOWN, 5.2)
    master = layout.slot(Parameter.BUS_MASTER, bus=0)
    assert (move.slot, move.action, move.value) == (master, STEP, -3.0)
    assert set(board.words.controls[0].slots) == {layout.slot(Parameter.BUS_DIM, bus=0), master}


def test_a_preset_is_called_for_by_every_press(layout: Layout) -> None:
    """Its lamp is lit while it stands, and a toggle of a lit lamp would ask for nothing."""
    with_presets = Layout(layout.channels, layout.buses, presets=("soundcheck",))
    text = SWITCH.replace("bus dim", "preset").replace("bus = 1", "preset = 1")
    words = ControllerWords(parse_map(HEAD + text, "board.toml"), with_presets)
    (move,) = words.decode(DOWN, 0.0)
    assert (move.slot, move.action, move.value) == (
        with_presets.slot(Parameter.PRESET, 0),
        SET,
        1.0,
    )
