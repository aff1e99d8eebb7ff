"""An entry tried before it is written: movements decoded by it, in words; nothing moves. Pure."""

from __future__ import annotations

import math

from bridge import units
from bridge.house import controller_words
from bridge.learning.study import Study
from bridge.maps.model import MapFile
from bridge.maps.move import FLIP, STEP, Move
from bridge.rig.layout import KINDS, Kind

SAY_S = 0.1
"""Time between two lines about a movement: ten a second are as many as a person reads."""


class Trial:
    """The last entry of a map, at work on one controller's messages.

    Args:
        study: The controller.
        map_file: Its map, with the entry to try at the end.
    """

    def __init__(self, study: Study, map_file: MapFile) -> None:
        self._rig = study.rig
        self._words = controller_words(study.rig, study.number, map_file)
        self._mine = len(self._words.controls) - 1
        self._next_s = -math.inf
        self._move: Move | None = None
        self._other = ""

    def hear(self, data: bytes, now_s: float) -> list[str]:
        """What a message would do, in lines for a person; few, however fast messages come."""
        return self._say(self._words.decode(data, now_s), now_s)

    def advance(self, now_s: float) -> list[str]:
        """Time has passed: what waits is told."""
        return self._say(self._words.advance(now_s), now_s)

    def decode(self, data: bytes, now_s: float) -> list[Move]:
        """What the new entry makes of a message."""
        return [move for move in self._words.decode(data, now_s) if move.control == self._mine]

    def _say(self, moves: list[Move], now_s: float) -> list[str]:
        for one in moves:
            if one.control == self._mine:
                self._move = one
            else:
                self._other = self._words.controls[one.control].label
        if now_s < self._next_s or (self._move is None and not self._other):
            return []
        self._next_s = now_s + SAY_S
        move, other = self._move, self._other
        self._move, self._other = None, ""
        if move is None:
            return [f"  (that is another control of this map: {other})"]
        return [f"  would move {self._rig.name(move.slot)} {self.told(move)}"]

    def told(self, move: Move) -> str:
        """What a move does, in words."""
        if move.action == FLIP:
            return "to its other state"
        if move.action == STEP:
            return f"{'up' if move.value > 0 else 'down'} by {abs(move.value):g} dB"
        kind = KINDS[self._rig.layout.place(move.slot).parameter][0]
        if kind is Kind.LEVEL:
            at = "" if math.isnan(move.position) else f" (position {move.position:.3f})"
            return f"to {units.text(move.value)}{at}"
        if kind is Kind.PAN:
            return f"to {move.value:+.2f}"
        states = ("pre", "post") if kind is Kind.TAP else ("off", "on")
        return f"to {states[move.value >= 0.5]}"
