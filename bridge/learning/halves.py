"""Two controllers: halves of one 14-bit value, and in what order, or two of 7 bits. Pure.

Controllers 0..31 have their fine halves 32 above (MIDI 1.0 Detailed Specification 4.2, "Control
Change"), but a box may use both numbers for two knobs. The fine half of one value starts over
whenever the coarse one makes a step, so it leaps back by nearly 128 there; a knob of its own has no
reason to. A coarse half that is told again unchanged, with another fine one, is a second sign.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import NamedTuple

from bridge.learning.finding import Sure
from bridge.learning.watch import Sample

COARSE, FINE, SELECT = "coarse", "fine", "select"


class Half(NamedTuple):
    """One message: which half, its number 0..127, when (s)."""

    which: str
    value: int
    at_s: float


class Verdict(NamedTuple):
    """Whether two controllers are one, how sure that is, and in which order the halves come."""

    together: bool
    sure: Sure
    fine_first: bool
    note: str = ""


def merged(**halves: Iterable[Sample]) -> list[Half]:
    """The messages of several keys in the order in which they came.

    Args:
        halves: ``coarse`` and ``fine``, and ``select`` for what chooses a parameter.
    """
    found = [
        (one.order, Half(which, one.value, one.at_s))
        for which, samples in halves.items()
        for one in samples
        if isinstance(one.value, int)
    ]
    return [half for _, half in sorted(found)]


def judge(takes: Sequence[Sequence[Half]]) -> Verdict:
    """Whether coarse and fine belong together.

    Args:
        takes: The merged messages of each take.
    """
    halves = [one for take in takes for one in take]
    coarse = [one.value for one in halves if one.which == COARSE]
    fine = [one.value for one in halves if one.which == FINE]
    rarer = min(len(coarse), len(fine))
    switches = sum(a.which != b.which for take in takes for a, b in pairwise(take))
    if switches <= 0.4 * rarer:
        sure = Sure.CERTAIN if rarer >= 5 else Sure.LIKELY
        return Verdict(False, sure, False, "one came after the other, so they are two")
    fine_first = comes_fine_first(takes)
    in_turn = switches >= 1.8 * rarer - 2
    if len(set(fine)) == 1 and in_turn:
        return Verdict(True, Sure.LIKELY, fine_first, "the fine half always says the same")
    if coarse == fine:
        return Verdict(True, Sure.LIKELY, fine_first, "both halves always say the same")
    signs = sum(map(_signs, _readings(takes, fine_first))) + (4.0 if in_turn else 0.0)
    if abs(signs) <= 3.0:
        return Verdict(signs > 0 or in_turn, Sure.UNSURE, fine_first)
    sure = Sure.CERTAIN if abs(signs) > 8.0 else Sure.LIKELY
    return Verdict(signs > 0, sure, fine_first)


class _Whole(NamedTuple):
    """A coarse and a fine half as one value; whether the coarse one was told anew for it."""

    coarse: int
    fine: int
    told: bool


def _readings(takes: Sequence[Sequence[Half]], fine_first: bool) -> list[list[_Whole]]:
    return [_whole(take, fine_first) for take in takes]


def _whole(take: Sequence[Half], fine_first: bool) -> list[_Whole]:
    """The values that the halves of a take make, in one of both orders."""
    found: list[_Whole] = []
    coarse = fine = -1
    told = False
    for half in take:
        if half.which == SELECT:
            continue
        if half.which == COARSE:
            coarse, told = half.value, True
        else:
            fine = half.value
        if coarse >= 0 and fine >= 0 and (half.which == COARSE) == fine_first:
            found.append(_Whole(coarse, fine, told))
            told = False
    return found


def _signs(values: Sequence[_Whole]) -> float:
    """What speaks for one value (above 0) or for two: a sum of weights, each change by itself."""
    return sum(_sign(before, after) for before, after in pairwise(values))


def _sign(before: _Whole, after: _Whole) -> float:
    coarse, fine = after.coarse - before.coarse, after.fine - before.fine
    if coarse == 0:
        return 1.0 if after.told and fine else 0.0
    if abs(fine) >= 96 and coarse * fine < 0:
        return 6.0  # it starts over
    if abs(coarse) == 1:
        return 2.0 if abs(fine) >= 32 and coarse * fine < 0 else -1.5 if abs(fine) <= 16 else 0.0
    return 1.0 if abs(fine) >= 32 else -0.7 if abs(fine) <= 8 else 0.0


def comes_fine_first(takes: Sequence[Sequence[Half]]) -> bool:
    """Whether the fine half is said before the coarse one, as far as that can be heard.

    What chooses a parameter comes before its value. Else a half follows its own other half sooner
    than the next value's; where the clock is too coarse for that, the right order makes the
    smoother movement; where neither does, what came first was first.
    """
    firsts = [b.which for take in takes for a, b in pairwise(take)
              if a.which == SELECT != b.which]  # fmt: skip
    if firsts:
        return firsts.count(FINE) > len(firsts) / 2
    sooner = _sooner(takes)
    if sooner is not None:
        return sooner
    usual, other = (sum(map(_travel, _readings(takes, order))) for order in (False, True))
    if min(usual, other) < 0.5 * max(usual, other):
        return other < usual
    return bool(takes) and bool(takes[0]) and takes[0][0].which == FINE


def _travel(values: Sequence[_Whole]) -> int:
    numbers = [one.coarse << 7 | one.fine for one in values]
    return sum(abs(b - a) for a, b in pairwise(numbers))


def _sooner(takes: Sequence[Sequence[Half]]) -> bool | None:
    """Whether a coarse half follows a fine one sooner than the other way round; None: alike."""
    after = {COARSE: 0.0, FINE: 0.0}
    count = {COARSE: 0, FINE: 0}
    for take in takes:
        for a, b in pairwise(take):
            if a.which != b.which:
                after[b.which] += b.at_s - a.at_s
                count[b.which] += 1
    if not all(count.values()):
        return None
    mean = {which: after[which] / count[which] for which in after}
    return mean[COARSE] < mean[FINE] if max(mean.values()) > 3 * min(mean.values()) else None
