"""A recall: wishes in a safe order, each before the rules, and what became of them. Pure.

Everything that makes it quieter is wished first, then taps and pans, then what makes it louder. So
a recall takes away before it gives, and the room that falls leave is there for the raises. Nothing
here knows a ceiling: the rules limit each wish as they limit a hand, and raises ride the ramp.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

from bridge import limits
from bridge.mix.engine import Engine
from bridge.mix.gesture import REFUSED, SET, TAKEN, Verdict, explain
from bridge.mix.matrix import LEVEL
from bridge.presets.values import Target, same
from bridge.rig.rig import ENGINEER, Rig
from bridge.units import OFF

Wish = Callable[[int, float], Verdict]
"""Puts one value before the rules: slot, value."""

DOWN, ACROSS, UP = range(3)
"""Ranks of wishes: quieter, neither, louder."""


class Change(NamedTuple):
    """A value that a recall changed.

    Attributes:
        slot: The parameter.
        before: What was asked before.
        after: What was asked when the recall had wished.
    """

    slot: int
    before: float
    after: float


@dataclass(slots=True)
class Report:
    """What became of a recall.

    Attributes:
        title: What was done, in words.
        who: Performer's number, -1 the engineer.
        changes: What it changed.
        there: How many values were there already.
        safe: Slots that the rig keeps safe from recalls, and that stand elsewhere.
        foreign: Slots that are not this person's to move, and that stand elsewhere.
        moved: Slots that somebody has moved since, which an undo leaves alone.
        left: Verdicts on what was not reached.
        refusal: Why nothing was done at all; empty otherwise.
    """

    title: str
    who: int = ENGINEER
    changes: list[Change] = field(default_factory=list)
    there: int = 0
    safe: list[int] = field(default_factory=list)
    foreign: list[int] = field(default_factory=list)
    moved: list[int] = field(default_factory=list)
    left: list[Verdict] = field(default_factory=list)
    refusal: str = ""

    @property
    def whole(self) -> bool:
        """Whether everything stands as it was stored."""
        return not (self.refusal or self.left or self.safe or self.foreign or self.moved)

    def text(self, rig: Rig) -> str:
        """The report in lines: what changed, what was not reached and why."""
        head = f"{rig.person(self.who)}: {self.title}: "
        if self.refusal:
            return f"{head}refused: {self.refusal}"
        parts = [f"{len(self.changes)} changed", f"{self.there} there already"]
        lines = [head + ", ".join(parts)]
        lines += _counted(self.safe, "kept safe from recalls", rig)
        lines += _counted(self.foreign, f"not {rig.person(self.who)}'s to move", rig)
        lines += _counted(self.moved, "moved by somebody since, left alone", rig)
        lines += [explain(verdict, rig) for verdict in self.left[: limits.NAMES_SHOWN]]
        more = self.left[limits.NAMES_SHOWN :]
        if more:
            counts = sorted(Counter(verdict.rule for verdict in more).items())
            named = ", ".join(f"{count} by the rule '{rule}'" for rule, count in counts)
            lines.append(f"{len(more)} more not reached: {named}")
        return "\n".join(lines)


def _counted(slots: list[int], words: str, rig: Rig) -> Iterator[str]:
    if slots:
        more = f" and {len(slots) - 3} more" if len(slots) > 3 else ""
        yield f"{len(slots)} {words}: " + ", ".join(map(rig.name, slots[:3])) + more


def ranked(wanted: Iterable[Target], engine: Engine) -> list[Target]:
    """Targets in the order in which they are wished: down, across, up; else as they come."""
    return sorted(wanted, key=lambda target: _rank(engine, *target))


def _rank(engine: Engine, slot: int, value: float) -> int:
    m = engine.matrix
    if m.kind[slot] == LEVEL:
        now = m.asked[slot]
        return DOWN if value <= (now if now == now else OFF) else UP
    if m.on <= slot < m.tap:
        return UP if value else DOWN
    return UP if engine.buses.louder(slot, value) and slot >= m.master else ACROSS


class Recall:
    """One recall under way; ``step`` as often as it answers True.

    Args:
        engine: The rules and levels.
        wish: Puts one value before the rules, for ``who``.
        wanted: What shall be; each slot once.
        safe: Slots that are left alone.
        report: Where to note what became of it.
    """

    def __init__(
        self,
        engine: Engine,
        wish: Wish,
        wanted: Iterable[Target],
        *,
        safe: frozenset[int],
        report: Report,
    ) -> None:
        self.engine, self._wish, self.report = engine, wish, report
        self._waiting = ranked(self._admitted(wanted, safe), engine)
        self._next = 0

    def _admitted(self, wanted: Iterable[Target], safe: frozenset[int]) -> Iterator[Target]:
        """What there is to wish: not what is there already, kept safe, or somebody else's."""
        may, report = self.engine.guard.may[self.report.who], self.report
        for slot, value in wanted:
            if same(self.engine.matrix, slot, value):
                report.there += 1
            elif slot in safe:
                report.safe.append(slot)
            elif not may[slot]:
                report.foreign.append(slot)
            else:
                yield slot, value

    def step(self, most: int) -> bool:
        """Wish some of what is left.

        Args:
            most: How many wishes at most.

        Returns:
            Whether there is more.
        """
        last = min(self._next + most, len(self._waiting))
        for slot, value in self._waiting[self._next : last]:
            self._one(slot, value)
        self._next = last
        return last < len(self._waiting)

    def _one(self, slot: int, value: float) -> None:
        asked, report = self.engine.matrix.asked, self.report
        before = asked[slot]
        verdict = self._wish(slot, value)
        if verdict.outcome != TAKEN:
            report.left.append(verdict)
        if verdict.outcome != REFUSED and asked[slot] != before:
            report.changes.append(Change(slot, before, asked[slot]))


def undone(changes: Iterable[Change], engine: Engine, report: Report) -> Iterator[Target]:
    """What an undo wishes: values from before, where nobody has moved them since.

    What was not known before cannot be brought back and counts as there.
    """
    m = engine.matrix
    for slot, before, after in changes:
        if before != before:
            report.there += 1
        elif same(m, slot, after):
            yield slot, before
        elif not same(m, slot, before):
            report.moved.append(slot)
        else:
            report.there += 1


def wish_for(
    wish: Callable[[str, int, int, int, float, float], Verdict],
    who: int,
    clock: Callable[[], float],
) -> Wish:
    """The one road for wishes, for somebody's recall.

    Args:
        wish: ``Controllers.wish``.
        who: Performer's number, -1 the engineer.
        clock: This moment on the bridge's clock, s.
    """
    return lambda slot, value: wish("preset", who, slot, SET, value, clock())
