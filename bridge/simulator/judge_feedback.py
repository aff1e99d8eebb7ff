"""The judge of the stage: no word brings it past its margin, or an ear past its most. Pure.

It keeps the effective levels that the console received, multiplies them by a coupling worked out
by the witness's own code, and asks numpy for the eigenvalues. Falls, and what the desk does by
itself, are followed; a word that raises or opens something is judged. While the stage stands past
the margin no word may bring it further.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from bridge.rig.layout import Parameter
from bridge.simulator.held import Held
from bridge.simulator.mixing import Mixing
from bridge.simulator.recording import Facts, Line, RecordingError, value_of
from bridge.simulator.stage_facts import Load, StageFacts

FEEDBACK = "feedback"
TOLERANCE_DB = 1e-6
"""By how much rounding may pass the margin, dB: far below what anybody hears."""

_LOAD_SLACK = 10.0 ** (TOLERANCE_DB / 10.0)
_STEPS = 40

Real = NDArray[np.float64]


class StageJudge:
    """Follows what the console makes of a stage.

    Attributes:
        crossed: Raises that crossed the desk's own move on the way: the bridge could not know.
        past_s: How long the stage stood past its margin in all, s.
        past_db: By how much at most, dB.
        eigenvalues: How often eigenvalues were computed: most words are proved harmless without.
    """

    def __init__(self, facts: Facts, held: Held, at_s: float) -> None:
        assert facts.stage is not None, "the recording has a stage"
        self._stage: StageFacts = facts.stage
        self._values, self._news_s = held.newest, facts.news_s
        self._mixing = Mixing(facts, self._stage.post)
        buses = len(facts.layout.buses)
        self._coupling = np.array(self._stage.coupling).reshape(-1, buses)
        self._h = self._coupling
        self._lifted: tuple[int, int] | None = None
        self._sends = facts.layout.slots(Parameter.SEND_LEVEL)
        loads = self._stage.loads
        self._weights = np.array([load.weights for load in loads]).reshape(len(loads), buses)
        self._most = np.array([load.most for load in loads]) * _LOAD_SLACK
        self._slack = 10.0 ** (TOLERANCE_DB / self._stage.per_ten)
        self._limit = self._stage.limit
        self._matters = self._all_that_matters()
        self._db = np.array(self._mixing.all_db(self._values)).reshape(self._coupling.shape)
        self._mix = self._linear(self._db)
        self._x = np.ones(min(self._mix.shape))
        self._unseen: dict[int, tuple[float, float]] = {}
        self.crossed, self.past_s, self.past_db, self.eigenvalues = 0, 0.0, 0.0, 0
        self._past_since: float | None = None
        self._safe = False
        self._follow(at_s)

    def _all_that_matters(self) -> list[tuple[tuple[int, int], ...]]:
        """For each slot the sends that it moves and that come back, or reach an ear or a limit."""
        weighed = self._weights.sum(axis=0) > 0.0
        there = self._coupling > 0.0
        loops = there.max(axis=1, keepdims=True) & there.max(axis=0, keepdims=True)
        matters = np.asarray(loops | weighed[None, :])
        return [tuple(cell for cell in self._mixing.cells(slot) if matters[cell])
                for slot in range(len(self._values))]  # fmt: skip

    def _linear(self, levels_db: Real) -> Real:
        return np.asarray(np.power(10.0, levels_db / self._stage.per_ten))

    # -- what happens ---------------------------------------------------------------------------

    def told(self, slot: int, at_s: float, sent_s: float) -> Iterator[tuple[str, str]]:
        """A word that is news arrived, and the held values have it: breaches, rule and words.

        Args:
            slot: What it is about.
            at_s: When it arrived, s.
            sent_s: When it was sent, s.
        """
        if not self._matters[slot]:
            return
        self._unseen.pop(slot, None)
        before = self._mix.copy()
        if self._take(slot):
            found = list(self._breaks(before, self._mix))
            if found and self._blind(sent_s):
                found = list(self._judged_as_known(slot, sent_s, before))
                self.crossed += not found
                self._safe = False
            yield from found
        if self._past_since is not None or not self._safe:
            self._follow(at_s)

    def desk(self, slot: int, at_s: float, before: float, *, hidden: bool) -> None:
        """The desk moved something, and the held values have it: the judge follows.

        Args:
            slot: What it moved.
            at_s: When, s.
            before: The value until then.
            hidden: The bridge cannot learn of it.
        """
        if not self._matters[slot]:
            return
        known = self._unseen.get(slot)
        if known is not None and known[0] >= at_s:
            before = known[1]
        self._unseen[slot] = (math.inf if hidden else at_s + self._news_s, before)
        if self._take(slot) or self._past_since is not None:
            self._follow(at_s)

    def note(self, line: Line, at_s: float, number: int) -> None:
        """A send is lifted for a soundcheck, or ring marks come into force.

        Raises:
            RecordingError: it speaks of something else than sends.
        """
        if line["note"] == "lift":
            slot = line.get("slot")
            self._lifted = None if slot is None else self._cell(slot, number)
        else:
            for slot, word in (line.get("levels") or {}).items():
                strength = 10.0 ** (-value_of(word) / self._stage.per_ten)
                if not 0.0 < strength < math.inf:
                    raise RecordingError(number, f"a mark at {word!r}", "a level in dB")
                self._coupling[self._cell(slot, number)] = strength
            self._matters = self._all_that_matters()
        self._h = self._coupling.copy()
        if self._lifted is not None:
            self._h[self._lifted] = 0.0
        self._follow(at_s)

    def _cell(self, slot: object, number: int) -> tuple[int, int]:
        known = int(slot) if isinstance(slot, str) and slot.isdecimal() else slot
        if not isinstance(known, int) or known not in self._sends:
            raise RecordingError(number, f"slot {slot!r}", "the slot of a send level")
        channel, bus = divmod(self._sends.index(known), self._coupling.shape[1])
        return channel, bus

    def ended(self, at_s: float) -> None:
        """The recording ends."""
        if self._past_since is not None:
            self.past_s += at_s - self._past_since
            self._past_since = at_s

    # -- levels ---------------------------------------------------------------------------------

    def _take(self, slot: int) -> bool:
        """Take over what a slot moves; whether anything got louder."""
        rises = False
        for cell in self._matters[slot]:
            level_db = self._mixing.effective_db(self._values, *cell)
            if level_db != self._db[cell]:
                rises = rises or not level_db <= self._db[cell]
                self._db[cell] = level_db
                self._mix[cell] = 10.0 ** (level_db / self._stage.per_ten)
        return rises

    def _follow(self, at_s: float) -> None:
        """See whether the stage stands past its margin."""
        self._safe = self._harmless(self._mix)
        rho = 0.0 if self._safe else self._rho(self._mix)
        if rho > self._limit * self._slack:
            self.past_db = max(self.past_db, self._stage.per_ten * math.log10(rho / self._limit))
            if self._past_since is None:
                self._past_since = at_s
        elif self._past_since is not None:
            self.past_s += at_s - self._past_since
            self._past_since = None

    # -- judging --------------------------------------------------------------------------------

    def _blind(self, sent_s: float) -> bool:
        return any(until_s >= sent_s for until_s, _ in self._unseen.values())

    def _judged_as_known(self, slot: int, sent_s: float, before: Real) -> Iterator[tuple[str, str]]:
        """The same with what the bridge could know: the lower value while a desk move is news."""
        values = list(self._values)
        touched = set(self._matters[slot])
        for unseen, (until_s, earlier) in self._unseen.items():
            if until_s >= sent_s and earlier != values[unseen]:
                lowered = self._lower(values, unseen, earlier)
                touched |= set(self._matters[unseen]) if lowered else set()
        after, was = self._mix.copy(), before.copy()
        for cell in touched:
            level_db = self._mixing.effective_db(values, *cell)
            after[cell] = min(after[cell], 10.0 ** (level_db / self._stage.per_ten))
            if cell not in self._matters[slot]:
                was[cell] = after[cell]
        yield from self._breaks(was, after)

    def _lower(self, values: list[float], slot: int, earlier: float) -> bool:
        """Put an earlier value back where that makes nothing louder."""
        now = values[slot]
        cells = self._matters[slot]
        loud = [self._mixing.effective_db(values, *cell) for cell in cells]
        values[slot] = earlier
        if all(self._mixing.effective_db(values, *cell) <= level_db
               for cell, level_db in zip(cells, loud, strict=True)):  # fmt: skip
            return True
        values[slot] = now
        return False

    def _breaks(self, before: Real, after: Real) -> Iterator[tuple[str, str]]:
        self._safe = self._harmless(after)
        if not self._safe:
            rho, was = self._rho(after), self._rho(before)
            if not rho <= max(self._limit, was) * self._slack:
                k, margin_db = self._stage.per_ten, self._stage.margin_db
                yield (
                    FEEDBACK,
                    f"brings the stage to {-k * math.log10(rho):.4f} dB below the first ring, "
                    f"expected at least {margin_db:g} dB (it was at {_below(was, k)})",
                )
        totals = self._totals(after)
        if (totals > self._most).any():
            were = self._totals(before)
            for number in np.flatnonzero(totals > np.maximum(self._most, were * _LOAD_SLACK)):
                load = self._stage.loads[number]
                yield load.rule, _too_much(load, float(totals[number]), float(were[number]))

    def _totals(self, mix: Real) -> Real:
        """What every ear and loudspeaker gets, as power."""
        powers = mix if self._stage.per_ten == 10.0 else mix * mix
        return np.asarray(self._weights @ powers.sum(axis=0))

    def _loop(self, mix: Real) -> Real:
        channels, buses = mix.shape
        return np.asarray(mix.T @ self._h if buses <= channels else self._h @ mix.T)

    def _harmless(self, mix: Real) -> bool:
        """Proof by a vector x above 0 with ``M x <= limit x`` (Collatz), without eigenvalues."""
        return self._proved(self._loop(mix), 1)

    def _proved(self, m: Real, steps: int) -> bool:
        limit = self._limit * self._slack
        for _ in range(steps):
            image = m @ self._x
            if (image <= limit * self._x).all():
                return True
            top = float(image.max())
            if not 0.0 < top < math.inf:
                break
            # Half of the old vector keeps what leads nowhere above 0, and quiets the swinging.
            self._x = np.maximum(self._x / self._x.max() + image / top, 1e-9)
        return False

    def _rho(self, mix: Real) -> float:
        """The largest eigenvalue; exactly the limit where a proof says that it is not above."""
        m = self._loop(mix)
        if not np.isfinite(m).all():
            return math.inf
        self.eigenvalues += 1
        rho = float(np.abs(np.linalg.eigvals(m)).max(initial=0.0))
        # Where several loops meet, eigenvalue routines lose digits; the proof does not.
        if self._limit < rho < self._limit * 1.001 and self._proved(m, _STEPS):
            return self._limit
        return rho


def _below(rho: float, per_ten: float) -> str:
    return f"{-per_ten * math.log10(rho):.4f} dB" if rho > 0.0 else "no loop"


def _too_much(load: Load, total: float, was: float) -> str:
    unit, name = ("dB", "the ear of ") if load.rule == "exposure" else ("dB re nominal", "")
    now_db, most_db = 10.0 * math.log10(total), 10.0 * math.log10(load.most)
    was_db = f"{10.0 * math.log10(was):.4f}" if was > 0.0 else "silent"
    return (f"brings {name}{load.what} to {now_db:.4f} {unit}, expected at most "
            f"{most_db:.4f} (it was {was_db})")  # fmt: skip
