"""Sends that one control moves together, keeping their distances. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from bridge.mix.gesture import STEP
from bridge.mix.matrix import Matrix
from bridge.rig.rig import Rig
from bridge.units import FLOOR_DB, OFF


class Groups:
    """The members of every group, by the group's slot.

    A member below the floor sounds as off but keeps its distance in what is asked, down to
    ``DEEPEST_DB``; a member that was switched off stays off.
    """

    DEEPEST_DB = -150.0

    def __init__(self, rig: Rig, matrix: Matrix) -> None:
        self._asked = matrix.asked
        self._members: dict[int, tuple[int, ...]] = {}
        for number, group in enumerate(rig.file.group):
            bus = rig.layout.buses.index(group.bus)
            cells = [rig.layout.channels.index(name) * matrix.buses for name in group.channels]
            sends = tuple(matrix.send + cell + bus for cell in cells)
            self._members[matrix.group + number] = sends

    def members(self, slot: int) -> tuple[int, ...]:
        """The sends of a group."""
        return self._members[slot]

    def level(self, slot: int) -> float:
        """A group's level: that of its loudest member, dB."""
        return max(self._asked[send] for send in self._members[slot])

    def step_wanted(self, slot: int, action: int, value: float) -> float:
        """By how many dB a wish would move the group; to off is a very long way down."""
        if action == STEP:
            return value
        level = self.level(slot)
        return 0.0 if level == OFF else max(value, self.DEEPEST_DB) - level

    def step_allowed(
        self, slot: int, step_db: float, limit: Callable[[int, float], float]
    ) -> float:
        """The largest step up that takes no member past its limit; steps down are free."""
        if step_db <= 0:
            return step_db
        sounding = [send for send in self._members[slot] if self._asked[send] != OFF]
        rooms = [limit(s, self._asked[s] + step_db) - self._asked[s] for s in sounding]
        return max(0.0, min([step_db, *rooms]))

    def moved(self, slot: int, step_db: float) -> Iterator[tuple[int, float]]:
        """Every sounding member with its level after a step."""
        for send in self._members[slot]:
            asked = self._asked[send]
            if asked != OFF:
                yield send, max(asked + step_db, self.DEEPEST_DB)


assert Groups.DEEPEST_DB < FLOOR_DB, "distances are kept below the floor"
