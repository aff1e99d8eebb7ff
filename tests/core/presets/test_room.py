"""A room that looks after itself: starts, gestures, idle times, hours, refusals, the window."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from preset_house import INES, MAUD, RUTH, house, preset
from support.house import RIG

from bridge.presets import room
from bridge.presets.room import (
    AGAIN_S,
    AWAY_S,
    HOUSE,
    NEXT,
    PREVIOUS,
    Order,
    Plan,
    Room,
    opening,
    plan_of,
    walked,
    windows,
    within,
)
from bridge.presets.values import targets
from bridge.rig.layout import Parameter
from bridge.rig.rig import parse_rig
from bridge.units import OFF

PLAN = Plan(("house", "reel", "ballad"), "house", idle_s=1800.0, minutes=(240,))
NOON = 720


def started(plan: Plan = PLAN, minute: int = NOON) -> Room:
    made = Room(plan)
    order = made.advance(0.0, minute, live=True)
    assert order is not None
    made.recalled(order, silent=False)
    return made


def test_it_opens_with_the_house_preset_as_soon_as_the_console_was_read() -> None:
    made = Room(PLAN)
    assert made.advance(0.0, NOON, live=False) is None
    assert made.choose(MAUD, NEXT, 0.5) == "the console has not been read yet"
    assert made.advance(1.0, NOON, live=True) == Order("house", "the start", opens=True)
    assert made.advance(2.0, NOON, live=True) is None


def test_gestures_walk_round_and_home() -> None:
    made = started()
    for gesture, name in ((NEXT, "reel"), (NEXT, "ballad"), (NEXT, "house"),
                          (PREVIOUS, "ballad"), ("reel", "reel"), (HOUSE, "house")):  # fmt: skip
        order = made.choose(MAUD, gesture, 1.0)
        assert isinstance(order, Order) and order.preset == name and order.asked
        assert order.opens == (name == "house")
        made.recalled(order, silent=False)


def test_a_preset_that_is_not_declared_is_refused() -> None:
    for who in (MAUD, RUTH):
        assert started().choose(who, "loud", 1.0) == "this room has only house, reel, ballad"


def test_only_declared_hands_may_choose() -> None:
    made = started(Plan(("house",), "house", hands=frozenset({MAUD})))
    assert made.choose(INES, NEXT, 1.0) == "the rig does not let these hands choose presets"
    assert isinstance(made.choose(MAUD, NEXT, 1.0), Order)
    assert isinstance(made.choose(RUTH, NEXT, 1.0), Order)


def test_it_goes_home_once_when_no_hand_was_on_anything_for_long_enough() -> None:
    made = started()
    assert made.advance(99_999.0, NOON, live=True) is None  # nobody has changed anything
    made.touched(100_000.0)
    made.touched(100_100.0)
    assert made.advance(101_899.9, NOON, live=True) is None
    assert made.advance(101_900.0, NOON, live=True) == Order("house", "no hand for 30 min")
    assert made.advance(999_999.0, NOON, live=True) is None


def test_without_an_idle_time_it_stays() -> None:
    made = started(Plan(("house",), "house"))
    made.touched(1.0)
    assert made.advance(1e9, NOON, live=True) is None


def at(made: Room, now_s: float, *minutes: int) -> list[str]:
    """Why it acted at each look at the wall clock, every minute of a clock that never jumps."""
    orders = [made.advance(now_s + 60.0 * i, m, live=True) for i, m in enumerate(minutes)]
    return [order.why for order in orders if order is not None]


@pytest.mark.parametrize(
    ("minutes", "strikes"),
    [
        ((238, 239, 240, 241), ["it is 04:00"]),
        ((239, 239, 240, 240), ["it is 04:00"]),
        ((1439, 0, 1), []),
        ((179, 300), ["it is 05:00"]),  # the clock was put ahead over it
        ((239, 240, 181, 239, 240), ["it is 04:00"]),  # put back by an hour: not twice
        ((300, 200), []),  # put back over it
        ((720, 700), []),  # put back far from it
        ((240, 240), []),  # it starts within the minute itself
    ],
)
def test_a_declared_hour_strikes_once_however_the_wall_clock_jumps(
    minutes: tuple[int, ...], strikes: list[str]
) -> None:
    assert at(started(minute=minutes[0]), 100_000.0, *minutes) == strikes


def test_midnight_is_an_hour_too() -> None:
    made = started(Plan(("house",), "house", minutes=(0,)), minute=1438)
    assert at(made, 1.0, 1439, 0, 1) == ["it is 00:00"]


def test_an_hour_that_strikes_while_the_console_is_away_is_made_up_for() -> None:
    made = started(minute=239)
    assert made.advance(100.0, 240, live=False) is None
    order = made.advance(101.0, 240, live=True)
    assert order is not None and order.why == "it is 04:00"


def test_a_console_that_was_switched_off_finds_the_house_preset_again() -> None:
    made = started()
    made.choose(MAUD, NEXT, 10.0)
    assert made.advance(20.0, NOON, live=False) is None
    assert made.advance(20.0 + AWAY_S - 0.1, NOON, live=True) is None  # a loose cable
    assert made.advance(60.0, NOON, live=False) is None
    assert made.advance(60.0 + AWAY_S, NOON, live=True) == Order(
        "house", "the console is back", opens=True
    )


def test_what_a_silent_console_refused_is_tried_again_and_not_for_ever() -> None:
    made = Room(PLAN)
    order = made.advance(0.0, NOON, live=True)
    assert order is not None
    made.recalled(order, silent=True)
    assert made.advance(AGAIN_S - 0.1, NOON, live=True) is None
    assert made.advance(AGAIN_S, NOON, live=True) == order
    made.recalled(order, silent=False)
    assert made.advance(10 * AGAIN_S, NOON, live=True) is None


def test_a_hand_takes_the_place_of_what_the_room_owes() -> None:
    made = Room(PLAN)
    order = made.advance(0.0, NOON, live=True)
    assert order is not None
    made.recalled(order, silent=True)
    asked = made.choose(MAUD, NEXT, 1.0)
    assert isinstance(asked, Order)
    made.recalled(asked, silent=True)
    assert made.advance(100.0, NOON, live=True) is None


def test_silence_ends_only_where_the_rig_says_so_and_a_hand_asks() -> None:
    for unsilence in (False, True):
        made = started(Plan(("house", "reel"), "house", unsilence=unsilence, minutes=(240,)))
        order = made.choose(MAUD, HOUSE, 1.0)
        assert isinstance(order, Order) and order.unsilences is unsilence
        other = made.choose(MAUD, "reel", 1.0)
        assert isinstance(other, Order) and not other.unsilences
        own = made.advance(2.0, 240, live=True)
        assert own is None or not own.unsilences


def test_performers_may_neither_store_nor_undo_in_a_room() -> None:
    made = started()
    assert made.refusal(MAUD) and not made.refusal(RUTH)


@given(st.lists(st.tuples(st.floats(0, 5000), st.integers(0, 1439), st.booleans(),
                          st.sampled_from([None, NEXT, PREVIOUS, HOUSE, "reel", "loud"])),
                max_size=60))  # fmt: skip
def test_whatever_happens_it_recalls_declared_presets_only(
    steps: list[tuple[float, int, bool, str | None]],
) -> None:
    made, now_s, begun = Room(PLAN), 0.0, False
    for wait_s, minute, live, gesture in steps:
        now_s += wait_s
        order = made.advance(now_s, minute, live=live)
        assert live or order is None
        begun = begun or live
        if gesture is not None:
            said = made.choose(MAUD, gesture, now_s)
            assert begun or isinstance(said, str)
            order = said if isinstance(said, Order) else order
        if order is not None:
            assert order.preset in PLAN.presets
            made.recalled(order, silent=not live)


def test_it_walks_from_nowhere_to_the_ends() -> None:
    assert walked(("a", "b", "c"), "", NEXT) == "a"
    assert walked(("a", "b", "c"), "", PREVIOUS) == "c"
    assert walked(("a", "b", "c"), "elsewhere", HOUSE) == "a"
    assert walked(("a",), "a", NEXT) == "a"
    assert [walked((), "a", g) for g in (NEXT, PREVIOUS, HOUSE, "a")] == [""] * 4


# -- opening and the window ------------------------------------------------------------------------


def test_it_opens_the_buses_of_its_preset_and_no_other() -> None:
    made = house()
    m = made.engine.matrix
    order = Order("house", "test", opens=True)
    found = opening(order, preset(), m)
    assert {made.layout.place(slot).bus for slot, _ in found} == {0, 1}
    assert (made.slot(Parameter.BUS_OPEN, "", "kit"), 1.0) in found
    assert opening(Order("house", "test"), preset(), m) == []
    assert opening(Order("house", "test", unsilences=True), preset(), m) == [(m.silence, 0.0)]


def test_the_window_lies_around_the_preset() -> None:
    made = house()
    m = made.engine.matrix
    found = windows(targets(preset(), m), 6.0, m)
    assert found[made.send("voice", "kit")] == (-21.5, -9.5)
    assert found[made.send("kick", "kit")] == (OFF, OFF)
    assert found[made.master("kit")] == (-12.0, 0.0)
    assert all(m.is_send(slot) or m.is_master(slot) for slot in found)


def test_a_window_that_reaches_below_the_floor_ends_in_off() -> None:
    made = house()
    m = made.engine.matrix
    slot = made.send("kick", "kit")
    assert windows([(slot, -88.0)], 6.0, m)[slot] == (OFF, -82.0)


@pytest.mark.parametrize(
    ("asked", "wanted", "becomes"),
    [(-10, -8, -8), (-10, 5, -4), (-10, -30, -16), (-20, -30, -20), (-20, -18, -18),
     (0, 3, 0), (0, -3, -3), (-10, OFF, -16)],
)  # fmt: skip
def test_a_window_stops_a_wish_and_never_moves_a_level_itself(
    asked: float, wanted: float, becomes: float
) -> None:
    assert within((-16.0, -4.0), asked, wanted) == becomes


levels = st.floats(-90, 20) | st.just(OFF)


@given(levels, st.floats(0, 40), levels, levels)
def test_a_fall_never_becomes_a_raise_nor_a_raise_a_fall(
    centre: float, window_db: float, asked: float, wanted: float
) -> None:
    made = room._window(centre, window_db)
    becomes = within(made, asked, wanted)
    assert min(asked, wanted) <= becomes <= max(asked, wanted)
    assert becomes <= max(made[1], asked)


def test_the_rig_declares_it() -> None:
    declared = """
[room]
presets = ["reel", "house"]
house = "house"
window_db = 4
idle_min = 30
home_at = ["04:00", "23:59"]
hands = ["maud"]
"""
    assert plan_of(parse_rig(RIG, "r.toml")) is None
    assert plan_of(parse_rig(RIG + declared, "r.toml")) == Plan(
        ("reel", "house"), "house", 4.0, 1800.0, (240, 1439), frozenset({1})
    )
    plain = plan_of(parse_rig(RIG + '[room]\npresets = ["reel"]', "r.toml"))
    assert plain == Plan(("reel",), "reel", 6.0, math.inf)
