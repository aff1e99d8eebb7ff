"""The judge of promise 2: how fast levels rise. Pure.

For every two moments t1 < t2, ``heard(t2) - heard(t1) <= step + rise * (t2 - t1)``. That is a token
bucket: a *base* that follows the heard level down at once and up at ``rise``; what is heard may
stand ``step`` above it. A coarse control may add the widest of its own steps on the way.
"""

from __future__ import annotations

from bridge.simulator.held import FADER, SEND, TAP, Held
from bridge.simulator.recording import Facts
from bridge.simulator.scales import widest_step

_Ride = tuple[float, float, float]
"""The base, dB; when that was, s; the heard level from which the base has been rising, dB."""


class SlewJudge:
    """Follows what is heard of every level.

    Attributes:
        crossed: Words that crossed the desk's own move on the way and were judged as if it had
            not happened: the bridge could not know of it.
        rise_max_db: The largest rise of one message.
    """

    def __init__(self, facts: Facts, held: Held, tolerance_db: float, at_s: float) -> None:
        self._held = held
        self._tolerance_db = tolerance_db
        self._news_s = facts.news_s
        size = facts.layout.size
        self._rise, self._step = [0.0] * size, [0.0] * size
        self._rides: list[_Ride] = [(0.0, at_s, 0.0)] * size
        self._scales = [None if (number := facts.scale_of.get(slot)) is None
                        else facts.scales[number] for slot in facts.layout]  # fmt: skip
        self._before_desk: dict[int, tuple[float, float, _Ride]] = {}
        self.crossed, self.rise_max_db = 0, 0.0
        for slot in held.level_slots:
            bus, fader = held.bus[slot], held.kind[slot] == FADER
            self._rise[slot] = facts.fader_rise_db_per_s if fader else facts.rise_db_per_s[bus]
            self._step[slot] = facts.fader_step_db if fader else facts.step_db[bus]
            heard = held.heard(slot)
            self._rides[slot] = (heard, at_s, heard)

    def step_db(self, slot: int) -> float:
        """How far a level may rise at once, dB."""
        return self._step[slot]

    def told(self, slot: int, at_s: float, sent_s: float, before_db: float) -> float:
        """Judge what is heard after a word, and follow it.

        Args:
            slot: A level.
            at_s: When the word arrived, s.
            sent_s: When it was sent, s.
            before_db: What was heard just before.

        Returns:
            By how many dB it is too high; 0 when it is not.
        """
        after_db = self._held.heard(slot)
        self.rise_max_db = max(self.rise_max_db, after_db - before_db)
        ride, over_db = self._move(slot, self._rides[slot], (before_db, after_db), at_s)
        if slot in self._before_desk:
            until_s, level_db, old = self._before_desk[slot]
            if sent_s > until_s:
                del self._before_desk[slot]
            elif over_db > 0.0:
                ride, over_db = self._move(slot, old, (level_db, after_db), at_s)
                self.crossed += over_db == 0.0
                del self._before_desk[slot]
        self._rides[slot] = ride
        return over_db

    def _move(
        self, slot: int, ride: _Ride, heard: tuple[float, float], at_s: float
    ) -> tuple[_Ride, float]:
        """The ride after a change of what is heard, and by how many dB that is too much."""
        before_db, after_db = heard
        base_db, since_s, low_db = ride
        base_db += self._rise[slot] * (at_s - since_s)
        if not base_db < before_db:
            base_db = low_db = before_db
        over_db = after_db - base_db - self._step[slot]
        if over_db > self._tolerance_db:
            over_db = self._beyond_coarse(slot, (low_db, base_db), heard)
        if not after_db > base_db:
            base_db = low_db = after_db
        if not over_db <= self._tolerance_db:  # one breach, not one for each message that follows
            base_db = low_db = max(base_db, after_db - self._step[slot])
            return (base_db, at_s, low_db), over_db
        return (base_db, at_s, low_db), 0.0

    def _beyond_coarse(
        self, slot: int, ride_db: tuple[float, float], heard: tuple[float, float]
    ) -> float:
        """What is left of a rise that is too high when one step of the control's own is allowed."""
        low_db, base_db = ride_db
        before_db, after_db = heard
        scale, step_db = self._scales[slot], self._step[slot]
        if scale is None:
            return after_db - base_db - step_db
        over_ride = after_db - base_db - step_db - widest_step(scale, low_db, after_db)
        over_jump = after_db - before_db - step_db - widest_step(scale, before_db, after_db)
        return max(over_ride, over_jump)

    def follow(self, slot: int, at_s: float, before_db: float) -> None:
        """Take a change as it is, without judging: a jump judged elsewhere."""
        base_db, since_s, low_db = self._rides[slot]
        base_db += self._rise[slot] * (at_s - since_s)
        if not base_db < before_db:
            base_db = low_db = before_db
        after_db = self._held.heard(slot)
        if not after_db > base_db:
            base_db = low_db = after_db
        self._rides[slot] = (base_db, at_s, low_db)

    def stand(self, slot: int, at_s: float) -> None:
        """What is heard now is where the next rise starts."""
        heard = self._held.heard(slot)
        self._rides[slot] = (heard, at_s, heard)

    def desk(self, slot: int, at_s: float, before_db: float, *, hidden: bool) -> None:
        """Take the desk's own move: the bridge's next one starts from there.

        Words that were sent before the bridge could know of it go by what was before.
        """
        until_s = float("inf") if hidden else at_s + self._news_s
        level_db, ride = before_db, self._rides[slot]
        known = self._before_desk.get(slot)
        if known is not None and known[0] >= at_s:  # it could not know of the one before either
            _, level_db, ride = known
        self._before_desk[slot] = (until_s, level_db, ride)
        self.stand(slot, at_s)

    def known_to_bridge(self, slot: int, sent_s: float, level_db: float) -> float:
        """A level as the bridge may have known it: the lower one while a desk move is news."""
        until_s, before_db, _ = self._before_desk.get(slot, (-1.0, 0.0, (0.0, 0.0, 0.0)))
        return min(level_db, before_db) if sent_s <= until_s else level_db


def judged_sends(held: Held, slot: int) -> tuple[int, ...]:
    """The post-fader sends whose effective level a word about this slot can raise."""
    if held.kind[slot] in (SEND, TAP):
        send = held.send_of(slot)
        return (send,) if held.is_post(send) else ()
    if held.kind[slot] == FADER:
        return tuple(
            send for send in held.sends_of_channel(held.channel[slot]) if held.is_post(send)
        )
    return ()
