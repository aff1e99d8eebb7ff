"""What the map makes of a control that is moved: whether it has a meaning already. Pure."""

from __future__ import annotations

from bridge.errors import MapError
from bridge.house import controller_words
from bridge.learning.study import Study
from bridge.maps.model import MapFile
from bridge.maps.move import Move

TOLD_MAX = 3
"""Most meanings that are told: a control has one."""


class Known:
    """The entries that a movement has already.

    Args:
        study: The controller.
        map_file: Its map as it is; None while it has no entry.
    """

    def __init__(self, study: Study, map_file: MapFile | None) -> None:
        self._rig = study.rig
        self._moves: dict[int, Move] = {}
        try:
            self._words = controller_words(study.rig, study.number, map_file) if map_file else None
        except MapError:
            self._words = None  # what is wrong with it is told with the new entry

    def hear(self, data: bytes, now_s: float) -> None:
        """Take one message."""
        if self._words is not None:
            self._keep(self._words.decode(data, now_s))

    def advance(self, now_s: float) -> None:
        """Time has passed: a long press is one."""
        if self._words is not None:
            self._keep(self._words.advance(now_s))

    def _keep(self, moves: list[Move]) -> None:
        for one in moves:
            self._moves.setdefault(one.control, one)

    def clear(self) -> None:
        """Forget what was moved: it was no control."""
        self._moves.clear()

    def told(self) -> list[str]:
        """What the movement means already, in words."""
        if self._words is None:
            return []
        names = [self._named(one) for one in self._moves.values()]
        return names[:TOLD_MAX]

    def _named(self, move: Move) -> str:
        assert self._words is not None
        label = self._words.controls[move.control].label
        if move.slot < 0:
            return f"the turn ({label})"
        what = self._rig.name(move.slot)
        return what if label == self._rig.layout.name(move.slot) else f"{what} ({label})"
