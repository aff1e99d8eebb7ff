"""What a rig gives a performer: ceilings for single sends, a window of their own, their pace."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import pytest
from support.house import RIG, House

from bridge.errors import RigError
from bridge.mix.gesture import LIMITED, TAKEN, explain
from bridge.rig.layout import STEP
from bridge.rig.layout import Parameter as P
from bridge.rig.rig import parse_rig
from bridge.simulator.facts import facts_from
from bridge.units import OFF

INES, MAUD = 0, 1


@dataclass(frozen=True)
class AnyConsole:
    """A console that takes every value as it is."""

    can_set: Any
    can_read: frozenset[int] = frozenset()
    bytes_per_s: float = math.inf
    messages_per_s: float = math.inf

    def held(self, slot: int, value: float) -> float:
        return value


def given(more: str, performer: str = "ines") -> str:
    """The rig, with more said of one performer."""
    head = f'[[performer]]\nid = "{performer}"\n'
    assert head in RIG, "the rig's form has changed"
    return RIG.replace(head, head + more + "\n")


def playing(more: str) -> House:
    house = House(given(more)).started()
    house.open("kit")
    house.wish(-1, house.send("kick", "kit"), -12.0)
    house.run(5.0)
    return house


def test_a_single_send_has_a_ceiling_of_its_own_for_a_performer() -> None:
    house = playing("send_ceilings_db = { kick = -9 }")
    verdict = house.wish(INES, house.send("kick", "kit"), 0.0)
    assert (verdict.outcome, verdict.level, verdict.rule) == (LIMITED, -9.0, "own ceiling")
    assert house.wish(INES, house.send("voice", "kit"), -8.0).outcome == TAKEN
    assert house.wish(-1, house.send("kick", "kit"), -6.0).outcome == TAKEN, "the engineer may"


def test_a_performer_moves_within_their_window_around_the_engineers_mix() -> None:
    house = playing("window_db = 4")
    kick = house.send("kick", "kit")
    up = house.wish(INES, kick, 0.0)
    assert (up.outcome, up.level, up.rule) == (LIMITED, -8.0, "own window")
    assert "window" in explain(up, house.rig)
    assert house.wish(INES, kick, 4.0, STEP).level == -8.0, "many steps are no way out"
    down = house.wish(INES, kick, OFF)
    assert (down.outcome, down.level) == (LIMITED, -16.0)
    house.wish(-1, kick, -20.0)
    assert house.wish(INES, kick, 0.0).level == -16.0, "the window goes where the engineer goes"


def test_the_window_follows_the_desk() -> None:
    house = playing("window_db = 4")
    kick = house.send("kick", "kit")
    house.wish(INES, kick, -8.0)
    house.run(5.0)
    house.engine.desk(kick, -30.0, house.now_s)
    assert house.wish(INES, kick, 0.0).level == -26.0


def test_a_window_opens_nothing_that_the_engineer_left_off() -> None:
    house = playing("window_db = 4")
    piece = house.send("kick", "kit")
    house.wish(-1, piece, OFF)
    verdict = house.wish(INES, piece, -6.0)
    assert (verdict.outcome, verdict.level) == (LIMITED, OFF)


def test_a_group_keeps_to_the_window_of_each_member() -> None:
    house = playing("window_db = 4")
    group = house.layout.slot(P.GROUP, 0)
    asked, members = house.engine.matrix.asked, house.engine.groups.members(group)
    before = [asked[send] for send in members]
    for _ in range(5):
        house.wish(INES, group, 3.0, STEP)
    after = [asked[send] for send in members]
    rises = [b - a for a, b in zip(before, after, strict=True) if a != OFF]
    assert rises and max(rises) <= 4.0 + 1e-9 and max(rises) > 0.0


def test_a_ceiling_below_the_window_binds_first() -> None:
    house = playing("window_db = 20")
    verdict = house.wish(INES, house.send("kick", "kit"), 3.0)
    assert (verdict.level, verdict.rule) == (-6.0, "own ceiling")


def test_levels_of_somebody_with_a_slower_pace_rise_slower_and_the_witness_knows() -> None:
    rig = parse_rig(given("rise_db_per_s = 2\nstep_db = 0.5"), "ferry.toml")
    house = House(given("rise_db_per_s = 2\nstep_db = 0.5"))
    m = house.engine.matrix
    kit = rig.layout.buses.index("kit")
    assert (m.rides.rise[m.master + kit], m.rides.step[m.master + kit]) == (2.0, 0.5)
    facts = facts_from(rig, AnyConsole(m.can_set), [math.nan] * m.size)
    assert (facts.rise_db_per_s[kit], facts.step_db[kit]) == (2.0, 0.5)


@pytest.mark.parametrize(
    ("more", "at"),
    [
        ("rise_db_per_s = 30", "rise_db_per_s"),
        ("step_db = 5", "step_db"),
        ("window_db = 0", "window_db"),
        ("send_ceilings_db = { gong = -9 }", "gong"),
    ],
)
def test_rights_that_cannot_be_are_refused_with_their_place(more: str, at: str) -> None:
    with pytest.raises(RigError, match=at):
        parse_rig(given(more), "ferry.toml")
