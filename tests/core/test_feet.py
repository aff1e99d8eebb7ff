"""Feet on a board with turns, before the rules: nothing jumps, and lights tell the truth. Pure."""

from __future__ import annotations

import pytest
from support.house import RIG, House

from bridge import limits
from bridge.controllers import Controller, Controllers
from bridge.maps.controller import ConsoleNames, ControllerWords
from bridge.maps.load import parse_map
from bridge.mix.gesture import Verdict
from bridge.rig.layout import Parameter as P
from bridge.units import OFF

INES, RUTH = 0, -1

BOARD = """
[map]
name = "Board"
kind = "controller"
[[turn]]
id = "mix"
[[turn]]
id = "band"
[[turn]]
id = "kick"
[[midi]]
in_turn = "mix"
parameter = "bus master"
bus = 1
message = "control change"
number = 11
law = { from_db = -60, to_db = 0 }
[[midi]]
in_turn = "band"
parameter = "group"
group = 1
message = "control change"
number = 11
law = { from_db = -60, to_db = 0 }
[[midi]]
in_turn = "kick"
takeover = "scaled"
parameter = "send level"
bus = 1
channel = 1
message = "control change"
number = 11
law = { from_db = -60, to_db = 0 }
[[midi]]
in_turn = "band"
use = ["show"]
parameter = "group"
group = 1
message = "control change"
number = 12
law = { from_db = -60, to_db = 0, off_at_bottom = true }
[[midi]]
in_turn = "mix"
use = ["show"]
parameter = "bus master"
bus = 1
message = "control change"
number = 12
law = { from_db = -60, to_db = 0, off_at_bottom = true }
[[midi]]
action = "next turn"
message = "note"
number = 40
[[midi]]
use = ["show"]
turn = "*"
message = "control change"
number = 13
"""
PAST_TOUCH_S = limits.TOUCH_QUIET_S + 0.1


def travel(level_db: float) -> int:
    """The pedal's place for a level: 60 dB over 127 steps."""
    return round((level_db + 60.0) / 60.0 * 127.0)


class Feet:
    """Ines's feet on her board, in a house whose console takes everything at once."""

    def __init__(self) -> None:
        self.house = House(RIG).started()
        self.house.open("kit")
        for channel, level_db in (("accordion", -20.0), ("voice", -26.0), ("kick", -18.0)):
            self.house.wish(RUTH, self.house.send(channel, "kit"), level_db)
        layout = self.house.layout
        self.group = layout.slot(P.GROUP, 0)
        self.lights: list[bytes] = []
        self.refused: list[Verdict] = []
        words = ControllerWords(
            parse_map(BOARD, "board.toml"), layout, ConsoleNames.own(layout, (0,))
        )
        self.board = Controller("feet", INES, words, lambda data: self.lights.append(data) is None)
        self.all = Controllers(
            self.house.engine, lambda name, verdict: self.refused.append(verdict)
        )
        self.all.add(self.board)
        self.board.show_all(self.house.now_s)
        self.rest()
        self.house.run(limits.SHOW_AGAIN_S)  # what is shown from now on is news
        self.rest()

    def say(self, *datas: bytes) -> None:
        for data in datas:
            self.all.receive(self.board, data, self.house.now_s)
        self.house.pump()
        self.all.show(self.house.now_s)

    def pedal(self, *levels_db: float) -> None:
        """Move the pedal through places, each that of a level."""
        for level_db in levels_db:
            self.say(bytes((0xB0, 11, travel(level_db))))

    def turn(self) -> None:
        self.say(b"\x90\x28\x40", b"\x80\x28\x40")

    def rest(self) -> None:
        """Let time pass until lamps are lit."""
        self.house.run(PAST_TOUCH_S)
        self.all.advance(self.house.now_s)
        self.all.show(self.house.now_s)

    def shown(self, number: int) -> int:
        """What stands on a display."""
        return [data[2] for data in self.lights if data[:2] == bytes((0xB0, number))][-1]

    def asked(self, channel: str) -> float:
        return self.house.engine.matrix.asked[self.house.send(channel, "kit")]

    @property
    def master(self) -> float:
        return self.house.engine.matrix.asked[self.house.master("kit")]


@pytest.fixture
def feet() -> Feet:
    return Feet()


def test_a_pedal_that_changes_its_meaning_moves_nothing_until_it_meets_the_level(
    feet: Feet,
) -> None:
    feet.pedal(-40.0, -50.0)  # passes the master's start of -40 dB
    assert feet.master == pytest.approx(-50.0, abs=0.3)
    feet.turn()
    feet.pedal(-45.0, -40.0, -30.0)  # on its way up to the band's -20 dB
    assert (feet.asked("accordion"), feet.asked("voice")) == (-20.0, -26.0)
    feet.pedal(-15.0)
    assert feet.asked("accordion") == pytest.approx(-15.0, abs=0.3)
    assert feet.master == pytest.approx(-50.0, abs=0.3)


def test_a_turn_that_comes_back_has_to_be_met_again(feet: Feet) -> None:
    feet.pedal(-40.0, -30.0)
    assert feet.master == pytest.approx(-30.0, abs=0.3)
    for _ in range(3):
        feet.turn()
        feet.pedal(-58.0)
    assert feet.board.words.turns.now == 0
    feet.pedal(-50.0)
    assert feet.master == pytest.approx(-30.0, abs=0.3)
    feet.pedal(-29.0)
    assert feet.master == pytest.approx(-29.0, abs=0.3)


def test_a_scaled_takeover_begins_anew_as_well(feet: Feet) -> None:
    for _ in range(2):
        feet.turn()
    feet.pedal(-50.0)
    assert feet.asked("kick") == -18.0, "it does not know yet where the pedal was"
    feet.pedal(-40.0)
    assert -18.0 < feet.asked("kick") < -12.0


def test_a_pedal_meets_a_group_where_its_members_stand_whoever_moved_them(feet: Feet) -> None:
    feet.turn()
    feet.house.wish(RUTH, feet.house.send("accordion", "kit"), -40.0)
    feet.pedal(-10.0, -15.0, -20.0)  # where it stood before
    assert feet.asked("accordion") == -40.0
    feet.pedal(-30.0, -26.0, -24.0)  # the loudest is the voice now, at -26 dB
    assert feet.asked("voice") == pytest.approx(-24.0, abs=0.3)
    assert feet.asked("accordion") == pytest.approx(-38.0, abs=0.3)


def test_a_pedal_does_not_take_a_group_for_standing_where_no_one_stood(feet: Feet) -> None:
    feet.turn()
    feet.pedal(-1.0, 0.0)  # a group that nobody has moved yet has no level of its own
    assert (feet.asked("accordion"), feet.asked("voice")) == (-20.0, -26.0)


def test_a_light_follows_a_group_whose_members_somebody_else_moves(feet: Feet) -> None:
    feet.turn()
    feet.rest()
    assert feet.shown(12) == int((60 - 20) / 60 * 127)
    feet.house.engine.desk(feet.house.send("accordion", "kit"), OFF, feet.house.now_s)
    feet.rest()
    assert feet.shown(12) == int((60 - 26) / 60 * 127)


def test_the_lights_tell_the_turn_and_its_level_and_go_out_where_there_is_none(feet: Feet) -> None:
    seen = []
    for _ in range(4):
        seen.append((feet.shown(13), feet.shown(12)))
        feet.turn()
        feet.rest()
    low, band = int((60 - 40) / 60 * 127), int((60 - 20) / 60 * 127)
    assert seen == [(1, low), (2, band), (3, 0), (1, low)]


def test_the_bar_shows_the_limit_where_the_pedal_asked_for_more(feet: Feet) -> None:
    feet.pedal(-40.0, -20.0, 0.0)
    feet.rest()
    assert feet.refused[-1].rule == "bus ceiling"
    assert feet.master == -3.0
    assert feet.shown(12) == int((60 - 3) / 60 * 127)


def test_a_board_that_comes_back_must_take_over_anew(feet: Feet) -> None:
    """Somebody may have stepped on the pedal while the plug was out."""
    feet.pedal(-40.0, -30.0)
    feet.board.words.clear()
    feet.board.show_all(feet.house.now_s)
    feet.pedal(-5.0, -4.0)
    assert feet.master == pytest.approx(-30.0, abs=0.3)
    feet.pedal(-35.0)
    assert feet.master == pytest.approx(-35.0, abs=0.3)


def test_the_turn_stays_when_the_plug_comes_out(feet: Feet) -> None:
    feet.turn()
    feet.board.words.clear()
    feet.board.show_all(feet.house.now_s)
    feet.rest()
    assert (feet.board.words.turns.now, feet.shown(13)) == (1, 2)
