"""What is let through of a controller that says too much. Pure.

Whatever makes something quieter passes at once. Of the rest, the newest value a control passes now
and then: all of it would be heard and told, lamp by lamp, at the cost of everybody else.
"""

from __future__ import annotations

import math

from bridge.maps.move import FLIP, SET, STEP, Move
from bridge.mix.engine import Engine
from bridge.mix.matrix import LEVEL

FEW = 4
"""Values between which a worn control jumps: neighbours of a 7-bit one, or a switch's two."""

TURNS_PER_S = 5.0
"""A control that turns back more often than this is not moved by a hand for long."""

STUCK_PAUSE_S = 0.5
"""Time between two values of a control that sticks: its level still ends where the control is."""


class Track:
    """What one control did since the last look.

    Attributes:
        said: Moves since then.
        windows: Looks in a row that found it going to and fro.
        calm: Looks in a row that did not, since it was found to stick.
        stuck: It sticks.
    """

    __slots__ = ("_last", "_turns", "_up", "_values", "calm", "said", "stuck", "windows")

    def __init__(self) -> None:
        self.said = self.windows = self.calm = self._turns = 0
        self.stuck = self._up = False
        self._last = math.nan
        self._values: set[float] = set()

    def note(self, action: int, value: float) -> None:
        """Take one move."""
        self.said += 1
        if action == SET:
            if value == self._last:
                return
            up = value > self._last
            self._last = value
        else:
            up = value > 0 if action == STEP else not self._up
        if up is not self._up:
            self._up = up
            self._turns += 1
        if len(self._values) <= FEW:
            self._values.add(value)

    def to_and_fro(self, seconds: float) -> bool:
        """Whether it went to and fro between few values since the last look; begins anew."""
        found = self._turns > TURNS_PER_S * seconds and len(self._values) <= FEW
        self.said = self._turns = 0
        self._values.clear()
        return found


class Sieve:
    """Follows the controls of one busy controller, and thins out those that it must.

    Args:
        engine: The rules, for what is asked now.

    Attributes:
        flooding: Every control is thinned out.
        tracks: What each control did, by its number.
        thinned: Moves that went no further.
        said: Moves since the last look.
    """

    def __init__(self, engine: Engine) -> None:
        self._engine, self._matrix = engine, engine.matrix
        self.flooding = False
        self.tracks: dict[int, Track] = {}
        self.thinned = self.said = 0
        self._stuck = False
        self._pending: dict[int, Move] = {}
        self._slow_s = -math.inf

    def take(self, moves: list[Move]) -> list[Move]:
        """The moves that go on now, of those that the controller just said."""
        tracks, sound = self.tracks, self._matrix.sound
        self.said += len(moves)
        for control, slot, action, value, _ in moves:
            if slot >= sound:
                continue  # a meter's readings do go to and fro
            track = tracks.get(control)
            if track is None:
                track = tracks[control] = Track()
            track.note(action, value)
        if not self.flooding and not self._stuck:
            return moves
        return [move for move in moves if self._passes(move)]

    def _passes(self, move: Move) -> bool:
        """Whether a move goes on at once; else it waits, or what it says has been said."""
        track = self.tracks.get(move.control)
        if not self.flooding and (track is None or not track.stuck):
            return True
        pending, slot = self._pending, move.slot
        if self._quieter(move):
            if move.action != STEP:
                pending.pop(slot, None)
            return True
        before = pending.pop(slot, None)
        self.thinned += 1
        if move.action == FLIP and before is not None and before.action == FLIP:
            return False  # there and back again
        if move.action == STEP and before is not None and before.action == STEP:
            move = move._replace(value=move.value + before.value)
        pending[slot] = move
        return False

    def _quieter(self, move: Move) -> bool:
        """Whether a move makes something quieter for certain."""
        m, slot, value = self._matrix, move.slot, move.value
        if m.kind[slot] == LEVEL:
            if move.action == STEP:
                return value < 0
            return move.action == SET and slot < m.group and value < m.asked[slot]
        if slot >= m.freeze:
            return False
        if move.action == FLIP:
            value = 0.0 if m.asked[slot] >= 0.5 else 1.0
        louder = self._engine.buses.louder
        return louder(slot, 1.0 - value) and not louder(slot, value)

    def due(self, now_s: float) -> list[Move]:
        """What has waited long enough: the newest value of each control."""
        if not self._pending:
            return []
        slow = now_s >= self._slow_s
        if slow:
            self._slow_s = now_s + STUCK_PAUSE_S
        waits = set() if slow else {n for n, track in self.tracks.items() if track.stuck}
        found = [move for move in self._pending.values() if move.control not in waits]
        for move in found:
            del self._pending[move.slot]
        return found

    def look(self, seconds: float, many: int, calm: int) -> list[tuple[int, bool]]:
        """Look back over some time: which controls stick from now on, and which no longer.

        Args:
            seconds: How long it is since the last look, s.
            many: Looks in a row after which a control that goes to and fro sticks.
            calm: Looks in a row after which it no longer does.
        """
        self.said = 0
        changed = []
        for number, track in self.tracks.items():
            to_and_fro = track.to_and_fro(seconds)
            track.windows = track.windows + 1 if to_and_fro else 0
            track.calm = 0 if to_and_fro else track.calm + 1
            if track.stuck and track.calm >= calm:
                track.stuck = False
                changed.append((number, False))
            elif not track.stuck and track.windows >= many:
                track.stuck = True
                changed.append((number, True))
        self._stuck = any(track.stuck for track in self.tracks.values())
        return changed

    @property
    def idle(self) -> bool:
        """Whether nothing is thinned out and nothing waits."""
        return not (self.flooding or self._stuck or self._pending)
