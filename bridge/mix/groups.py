"""Sends that one control moves together, keeping their distances, or against the rest. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

from bridge.mix.gesture import STEP
from bridge.mix.matrix import Matrix
from bridge.rig.rig import Rig
from bridge.units import FLOOR_DB, OFF

Sends = tuple[int, ...]


class Groups:
    """The members of every group, by the group's slot.

    A member below the floor sounds as off but keeps its distance in what is asked, down to
    ``DEEPEST_DB``; a member that was switched off stays off.
    """

    DEEPEST_DB = -150.0

    def __init__(self, rig: Rig, matrix: Matrix) -> None:
        self._asked, self._matrix = matrix.asked, matrix
        self._members: dict[int, Sends] = {}
        self._others: dict[int, Sends] = {}
        self._of: dict[int, list[int]] = {}
        for number, group in enumerate(rig.file.group):
            bus = rig.layout.buses.index(group.bus)
            for sends, names in ((self._members, group.channels), (self._others, group.against)):
                cells = [rig.layout.channels.index(name) * matrix.buses for name in names]
                sends[matrix.group + number] = tuple(matrix.send + cell + bus for cell in cells)
            for send in self._members[matrix.group + number]:
                self._of.setdefault(send, []).append(matrix.group + number)

    def members(self, slot: int) -> Sends:
        """The sends of a group."""
        return self._members[slot]

    def others(self, slot: int) -> Sends:
        """The sends that give way to a group; empty where the group moves alone."""
        return self._others[slot]

    def level(self, slot: int) -> float:
        """A group's level: that of its loudest member, dB."""
        return self._loudest(self._members[slot])

    def stands(self, slot: int) -> float:
        """Where a parameter stands: a group where its members do, whoever moved them last."""
        return self.level(slot) if slot in self._members else self._asked[slot]

    def follow(self, news: dict[int, None]) -> None:
        """Where members moved their groups have moved: that is news as well."""
        if self._of:
            news.update([(group, None) for send in news for group in self._of.get(send, ())])

    def _loudest(self, sends: Sends) -> float:
        return max(self._asked[send] for send in sends)

    def step_wanted(self, slot: int, action: int, value: float) -> float:
        """By how many dB a wish would move the group; to off is a very long way down."""
        if action == STEP:
            return value
        level = self.level(slot)
        return 0.0 if level == OFF else max(value, self.DEEPEST_DB) - level

    def step_allowed(
        self, sends: Sends, step_db: float, limit: Callable[[int, float], float]
    ) -> float:
        """The largest step up that takes none of them past its limit; steps down are free."""
        if step_db <= 0:
            return step_db
        return max(0.0, min([step_db, *self._rooms(sends, step_db, limit)]))

    def fall_allowed(
        self, sends: Sends, step_db: float, limit: Callable[[int, float], float]
    ) -> float:
        """How far they may fall together before one of them meets a limit from below."""
        return min(0.0, max([step_db, *self._rooms(sends, step_db, limit)]))

    def _rooms(
        self, sends: Sends, step_db: float, limit: Callable[[int, float], float]
    ) -> Iterator[float]:
        """How far each sounding one may go, where it may not go all the way."""
        for send in sends:
            asked = self._asked[send]
            wanted = asked + step_db
            if asked != OFF and (stays := limit(send, wanted)) != wanted:
                yield stays - asked

    def moved(self, sends: Sends, step_db: float) -> Iterator[tuple[int, float]]:
        """Every sounding one of them with its level after a step."""
        for send in sends:
            asked = self._asked[send]
            if asked != OFF:
                yield send, max(asked + step_db, self.DEEPEST_DB)

    def balance(self, slot: int) -> Balance:
        """How a group and the others share their sum now."""
        own, others = self._members[slot], self._others[slot]
        return Balance(self._power(own), self._power(others), self._loudest(others))

    def _power(self, sends: Sends) -> float:
        """Sum of powers of what is asked and switched on, re unity; channels count alike."""
        m, asked = self._matrix, self._asked
        levels = [asked[s] for s in sends if asked[s - m.send + m.on] >= 0.5 and asked[s] > OFF]
        return math.fsum(10.0 ** (level / 10.0) for level in levels)


class Balance:
    """Two sides whose sum of powers is to stay: what one gains the other loses.

    Sources that have nothing to do with one another add by power, so that is what stays as loud.

    Args:
        own: Power of the group, re unity.
        others: Power of the others, re unity.
        loudest_db: Level of the loudest of the others, dB.
    """

    def __init__(self, own: float, others: float, loudest_db: float) -> None:
        self._own, self._others, self._loudest_db = own, others, loudest_db

    def answer(self, step_db: float) -> float:
        """By how many dB the others move for a step of the group; 0 when nothing sounds."""
        return self._answer(self._own, self._others, step_db)

    def most(self) -> float:
        """The largest step up: it takes the loudest of the others down to the floor."""
        if not self._own > 0.0:
            return math.inf
        fall_db = FLOOR_DB - self._loudest_db if self._others > 0.0 else 0.0
        return self.step(min(0.0, fall_db))

    def step(self, answer_db: float) -> float:
        """The group's step to which the others' is the answer."""
        return self._answer(self._others, self._own, answer_db)

    @staticmethod
    def _answer(moved: float, left: float, step_db: float) -> float:
        if not (moved > 0.0 and left > 0.0):
            return 0.0
        rest = left - moved * (10.0 ** (step_db / 10.0) - 1.0)
        return 10.0 * math.log10(rest / left) if rest > 0.0 else OFF


assert Groups.DEEPEST_DB < FLOOR_DB, "distances are kept below the floor"
