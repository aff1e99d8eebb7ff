"""Feet that do anything: a press is one thing, a turn moves nothing, a mix stays as loud. Pure."""

from __future__ import annotations

import math
from itertools import accumulate

from hypothesis import given, settings
from hypothesis import strategies as st
from support.house import RIG, House

from bridge.controllers import Controller, Controllers
from bridge.maps.controller import ConsoleNames, ControllerWords, Move
from bridge.maps.load import parse_map
from bridge.maps.pedal import within
from bridge.maps.press import Button, Presses
from bridge.mix.gesture import LIMITED, STEP, TAKEN
from bridge.mix.takeover import NEAR
from bridge.rig.layout import Parameter as P
from bridge.units import FLOOR_DB, OFF

# -- presses ---------------------------------------------------------------------------------------

HOLD_S, WITHIN_S = 0.75, 0.375
SHORT, LONG, DOUBLE = (Move(0, slot, 2, 0.0) for slot in (1, 2, 3))
NAMES = {1: "short", 2: "long", 3: "double"}

steps = st.lists(
    st.tuples(st.integers(1, 64), st.integers(1, 64)).map(lambda p: (p[0] / 64, p[1] / 64)),
    max_size=12,
)
"""How long it stays up and then down; sixty-fourths of a second, which floats hold exactly."""


def presses_of(gaps: list[tuple[float, float]]) -> list[tuple[float, float]]:
    ends = [0.0, *accumulate(up + down for up, down in gaps)]
    return [(start + up, start + up + down) for start, (up, down) in zip(ends, gaps, strict=False)]


def meant(
    presses: list[tuple[float, float]], *, long: bool, twice: bool
) -> list[tuple[float, str]]:
    """What the presses are, from all of them at once, and when that is certain."""
    told, number = list[tuple[float, str]](), 0
    while number < len(presses):
        down, up = presses[number]
        after = presses[number + 1][0] if number + 1 < len(presses) else math.inf
        lasted = long and up - down >= HOLD_S
        number += 1
        if twice and not lasted and after < down + WITHIN_S:
            told.append((after, "double"))
            number += 1
        elif lasted:
            told.append((down + HOLD_S, "long"))
        elif not long and not twice:
            told.append((down, "short"))
        elif not long:
            told.append((down + WITHIN_S, "short"))
        else:
            told.append((max(up, down + WITHIN_S) if twice else up, "short"))
    return told


def told_by(
    presses: list[tuple[float, float]], *, long: bool, twice: bool, wakes: bool
) -> list[tuple[float, str]]:
    """What the bridge makes of them, woken in time or never before the end."""
    button = Button(SHORT, None, LONG if long else None, HOLD_S, True,
                    DOUBLE if twice else None, WITHIN_S)  # fmt: skip
    heard, told = Presses(), list[tuple[float, str]]()

    def take(at_s: float, moves: list[Move]) -> None:
        told.extend((at_s, NAMES[move.slot]) for move in moves)

    for at_s, pressed in [(at, n == 0) for press in presses for n, at in enumerate(press)]:
        while wakes and (due_s := heard.next_wake_s()) <= at_s:
            take(due_s, heard.advance(due_s))
        take(at_s, heard.hear(button, pressed, at_s))
        assert len(heard._due) <= 1 and len(heard._down) <= 1 and len(heard._first) <= 1
    while (due_s := heard.next_wake_s()) < math.inf:
        take(due_s, heard.advance(due_s))
    return told


@given(steps, st.booleans(), st.booleans())
@settings(max_examples=500)
def test_every_press_is_one_thing_and_told_when_it_is_certain(
    gaps: list[tuple[float, float]], long: bool, twice: bool
) -> None:
    presses = presses_of(gaps)
    told = told_by(presses, long=long, twice=twice, wakes=True)
    assert told == meant(presses, long=long, twice=twice)


@given(steps, st.booleans(), st.booleans())
@settings(max_examples=300)
def test_a_loop_that_wakes_too_late_tells_the_same_things_later(
    gaps: list[tuple[float, float]], long: bool, twice: bool
) -> None:
    presses = presses_of(gaps)
    late = [what for _, what in told_by(presses, long=long, twice=twice, wakes=False)]
    assert late == [what for _, what in meant(presses, long=long, twice=twice)]


# -- dead zones ------------------------------------------------------------------------------------


@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.floats(0.0, 0.25))
def test_a_dead_zone_keeps_the_order_and_both_ends(one: float, two: float, zone: float) -> None:
    low, high = sorted((one, two))
    assert 0.0 <= within(low, zone) <= within(high, zone) <= 1.0
    assert (within(0.0, zone), within(1.0, zone)) == (0.0, 1.0)


# -- turns -----------------------------------------------------------------------------------------

PEDAL = """
[[midi]]
in_turn = "{turn}"
{what}
bus = 1
message = "control change"
number = 11
law = {{ from_db = -60, to_db = 0 }}
dead_zone = 0.03
"""
BOARD = (
    '[map]\nname = "Board"\nkind = "controller"\n'
    + "".join(f'[[turn]]\nid = "{turn}"\n' for turn in ("a", "b", "c"))
    + PEDAL.format(turn="a", what='parameter = "bus master"')
    + PEDAL.format(turn="b", what='parameter = "send level"\nchannel = 1')
    + PEDAL.format(turn="c", what='parameter = "group"\ngroup = 1').replace("bus = 1\n", "")
    + '[[midi]]\naction = "next turn"\nmessage = "note"\nnumber = 40\n'
    + '[[midi]]\naction = "previous turn"\nmessage = "note"\nnumber = 41\n'
)
MAP = parse_map(BOARD, "board.toml")
NEXT, PREVIOUS, OTHER_HAND = -1, -2, -3
doings = st.lists(
    st.integers(0, 127) | st.sampled_from([NEXT, PREVIOUS, OTHER_HAND]), min_size=1, max_size=40
)


class Feet:
    def __init__(self) -> None:
        self.house = House(RIG).started()
        self.house.open("kit")
        layout = self.house.layout
        words = ControllerWords(MAP, layout, ConsoleNames.own(layout, (0,)))
        self.board = Controller("feet", 0, words, lambda data: True)
        self.all = Controllers(self.house.engine, lambda name, verdict: None)
        self.all.add(self.board)
        self.kick = self.house.send("kick", "kit")
        self.group = layout.slot(P.GROUP, 0)
        self.slots = [self.house.master("kit"), self.kick, self.group]
        for channel in ("accordion", "voice", "bass"):
            self.house.wish(-1, self.house.send(channel, "kit"), -20.0)

    def say(self, data: bytes) -> None:
        self.all.receive(self.board, data, self.house.now_s)
        self.all.show(self.house.now_s)
        self.house.pump()

    def levels(self) -> list[float]:
        return [self.house.engine.groups.stands(slot) for slot in self.slots]


@given(doings)
@settings(max_examples=200, deadline=None)
def test_a_pedal_moves_what_its_turn_says_and_only_once_it_has_met_the_level(
    doings: list[int],
) -> None:
    feet, before, met = Feet(), math.nan, False
    for doing in doings:
        levels, turn = feet.levels(), feet.board.words.turns.now
        if doing in (NEXT, PREVIOUS):
            note = 40 if doing == NEXT else 41
            feet.say(bytes((0x90, note, 64)))
            feet.say(bytes((0x80, note, 64)))
            assert feet.levels() == levels
            assert feet.board.words.turns.now == (turn + (1 if doing == NEXT else -1)) % 3
            before, met = math.nan, False
            continue
        if doing == OTHER_HAND:
            feet.house.wish(-1, feet.kick, -35.0)
            continue
        at = within(doing / 127, 0.03)
        stands = min(1.0, max(0.0, (levels[turn] + 60.0) / 60.0))
        near = abs(at - stands) <= NEAR + 1e-9
        passes = (before - stands) * (at - stands) <= 1e-9
        feet.say(bytes((0xB0, 11, doing)))
        after = feet.levels()
        assert [x for n, x in enumerate(after) if n != turn] == [
            x for n, x in enumerate(levels) if n != turn
        ]
        if not met and not near and not passes:
            assert after == levels, "it moved what it had not met"
        met, before = met or near or passes, at


# -- me against the rest ---------------------------------------------------------------------------

AGAINST = RIG.replace(
    'id = "others"\nbus = "kit"\nchannels = ["accordion", "voice", "bass"]',
    'id = "me"\nbus = "kit"\nchannels = ["kick", "bass"]\nagainst = ["accordion", "voice"]',
)
ALL = ("kick", "bass", "accordion", "voice")
a_level = st.floats(-60.0, -6.0) | st.sampled_from([OFF, -6.0, -90.0, -89.9])
OWN_CEILING_DB = -6.0


@given(
    st.lists(a_level, min_size=4, max_size=4),
    st.lists(st.floats(-15.0, 15.0), min_size=1, max_size=8),
)
@settings(max_examples=300, deadline=None)
def test_me_against_the_rest_keeps_the_sum_and_every_limit(
    levels: list[float], wanted: list[float]
) -> None:
    house = House(AGAINST).started()
    asked, sends = house.engine.matrix.asked, [house.send(c, "kit") for c in ALL]
    for send, level_db in zip(sends, levels, strict=True):
        house.wish(-1, send, level_db)
    group = house.layout.slot(P.GROUP, 0)

    def sums() -> tuple[float, float]:
        powers = [10.0 ** (asked[send] / 10.0) for send in sends]
        return math.fsum(powers[:2]), math.fsum(powers[2:])

    for step_db in wanted:
        own, others = sums()
        verdict = house.wish(0, group, step_db, STEP)
        own_after, others_after = sums()
        assert verdict.outcome in (TAKEN, LIMITED)
        assert all(asked[send] <= OWN_CEILING_DB + 1e-9 for send in sends)
        if own > 0.0 and others > 0.0 and not (step_db < 0.0 and verdict.outcome == LIMITED):
            change_db = 10.0 * math.log10((own_after + others_after) / (own + others))
            assert abs(change_db) < 0.1
        assert own_after + others_after <= (own + others) * 10.0**0.01
        if verdict.outcome == TAKEN and own > 10.0 ** (FLOOR_DB / 10.0):
            assert math.isclose(own_after / own, 10.0 ** (step_db / 10.0), rel_tol=1e-6) or (
                min(asked[send] for send in sends[:2]) <= -150.0
            )
