"""The shipped foot board with turns, a MIDI device on JACK, at a bridge in its own process."""

from __future__ import annotations

import math
from collections.abc import Iterator

import pytest
from bridge_desk import House
from drummers_room import DIGIT, A, C, D, Room, bar, pedal_db, travel
from jack_desk import JackServer, PlayerMaker

pytestmark = pytest.mark.jack

MINE, REST = ("kick", "snare"), ("voice", "bass", "accordion")


@pytest.fixture(scope="module")
def _room(tmp_path_factory: pytest.TempPathFactory, _jack: JackServer) -> Iterator[Room]:
    _jack.keep_running()
    house, player = House(tmp_path_factory.mktemp("room"), _jack.environment()), PlayerMaker(_jack)
    made = None
    try:
        made = Room(house, player)
        made.ruth("/mix/1/open", 1)
        made.state("open")
        yield made
    finally:
        house.take_down()
        player.unplug_all()
        if made is not None:
            made.take_down()


@pytest.fixture
def room(_room: Room) -> Room:
    """A bridge that runs with its board; the first turn is on, and the master where it started."""
    _room.comes(lambda: _room.display(DIGIT), "the board's lights")
    while (turn := _room.display(DIGIT)) != 1:
        _room.press(A)
        _room.comes(lambda turn=turn: _room.display(DIGIT) != turn, "another turn")  # type: ignore[misc]
    for level_db in (-33.0, -30.0):  # two, so that the bar shows that they have arrived
        _room.ruth("/mix/1/level", (level_db + 60.0) / 45.0 * 0.5)  # the page's law below -15 dB
        _room.lights(turn=1, bar_at=bar(level_db))
    return _room


def loudness(room: Room) -> float:
    """The sum of powers of what is played against one another, dB."""
    return 10 * math.log10(math.fsum(10 ** (room.desk.send(c) / 10) for c in MINE + REST))


def test_the_row_the_digit_and_the_bar_follow_switch_a(room: Room) -> None:
    for turn, level_db in ((2, -15.0), (3, -20.0), (1, -30.0), (2, -15.0)):
        room.press(A)
        room.lights(turn=turn, bar_at=bar(level_db))


def test_the_ends_of_the_pedal_count_though_it_does_not_reach_them(room: Room) -> None:
    room.pedal(60, 30, 3)  # 3 of 127 is 2.4 % of the travel
    room.master_comes_to(-40.0)
    room.pedal(40, 80, 124)
    room.bridge.says("bus master of Ines to 0.0 dB: limited, stands at -10.0 dB")
    room.lights(turn=1, bar_at=bar(-10.0))


def test_switches_c_and_d_move_the_drums_against_the_rest_in_any_turn(room: Room) -> None:
    before, kick = loudness(room), room.desk.send("kick")
    for presses, switch, db in ((1, C, 1.5), (2, D, -1.5), (1, C, 0.0)):
        room.press(switch, times=presses)
        near = pytest.approx(kick + db, abs=0.05)
        room.comes(lambda near=near: room.desk.send("kick") == near, f"{db:+.1f} dB")  # type: ignore[misc]
        room.comes(lambda: abs(loudness(room) - before) < 0.1, "the mix to be as loud as before")
        digit = room.display(DIGIT)
        room.press(A)
        room.comes(lambda digit=digit: room.display(DIGIT) != digit, "another turn")  # type: ignore[misc]


def test_a_board_that_is_plugged_in_again_shows_its_turn_and_must_take_over_anew(
    room: Room,
) -> None:
    room.pedal(travel(-32.0), travel(-28.0))
    room.master_comes_to(pedal_db(travel(-28.0)))
    room.unplug()
    room.plug()
    here = bar(pedal_db(travel(-28.0)))
    room.lights(turn=1, bar_at=here)
    room.pedal(travel(-12.0), travel(-14.0))  # somebody has stepped on it meanwhile
    room.press(A)
    room.lights(turn=2, bar_at=bar(-15.0))  # so what was played before has been heard
    room.master_comes_to(pedal_db(travel(-28.0)))
