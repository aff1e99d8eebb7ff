"""Who may do what: rights and freezes, asked before any level is looked at. Pure."""

from __future__ import annotations

from bridge.mix.matrix import Matrix
from bridge.rig.layout import KINDS, Parameter, Scope
from bridge.rig.model import Performer
from bridge.rig.rig import ENGINEER, Rig


class Guard:
    """Rights as one byte a slot for each performer, the engineer's last.

    Attributes:
        may: ``may[who][slot]`` is 1 where the rig gives it.
        held: 1 a bus that the engineer has taken over.
        frozen: ``frozen[who]`` is 1 while the engineer has frozen somebody.
    """

    def __init__(self, rig: Rig, matrix: Matrix) -> None:
        self.matrix = matrix
        self.may = [_rights(rig, performer) for performer in rig.file.performer]
        self.may.append(bytearray(b"\1" * matrix.size))
        self.frozen = bytearray(len(self.may))
        self.held = bytearray(matrix.buses)
        self._bus = [_bus_of(rig, slot) for slot in rig.layout]

    def refusal(self, who: int, slot: int, value: float) -> str:
        """The rule that forbids a wish, or an empty text.

        Args:
            who: Performer's number, -1 the engineer.
            slot: What they want to move.
            value: Where to (a switch's 0 or 1).
        """
        if slot == self.matrix.silence:
            # anybody may make it quiet; only the engineer lets it sound again
            return "" if who == ENGINEER or value >= 0.5 else "engineer only"
        if not self.may[who][slot]:
            return "not yours"
        if self.matrix.ask <= slot < self.matrix.preset:
            return ""  # one may always ask
        if self.frozen[who]:
            return "frozen"
        return "held" if who != ENGINEER and self._is_held(slot) else ""

    def _is_held(self, slot: int) -> bool:
        """Whether a slot lies in a bus that the engineer has taken over."""
        if not any(self.held):
            return False
        bus = self._bus[slot]
        return bus >= 0 and bool(self.held[bus])

    def freeze(self, performer: int, frozen: bool) -> None:
        """Freeze a performer or let them go; -1 is all performers. The engineer is never frozen."""
        several = range(len(self.may) - 1) if performer < 0 else (performer,)
        for number in several:
            self.frozen[number] = frozen


_NEVER = (Parameter.FREEZE, Parameter.SILENCE, Parameter.BUS_HOLD, Parameter.SOUND_LEVEL)


def _rights(rig: Rig, performer: Performer) -> bytearray:
    layout = rig.layout
    rights = bytearray(layout.size)
    buses = {layout.buses.index(name) for name in performer.buses}
    for parameter in performer.may_touch:
        if parameter in _NEVER:
            continue
        for slot in layout.slots(parameter):
            rights[slot] = _within(rig, slot, buses)
    return rights


def _bus_of(rig: Rig, slot: int) -> int:
    """The bus that a slot lies in; -1 for none or all."""
    place = rig.layout.place(slot)
    if KINDS[place.parameter][1] is Scope.GROUP:
        return rig.layout.buses.index(rig.file.group[place.channel].bus)
    return place.bus


def _within(rig: Rig, slot: int, buses: set[int]) -> bool:
    """Whether a slot lies in one of the buses; a channel's own controls lie in none and all."""
    place = rig.layout.place(slot)
    scope = KINDS[place.parameter][1]
    if scope is Scope.GROUP:
        group = rig.file.group[place.channel]
        return rig.layout.buses.index(group.bus) in buses
    return scope in (Scope.CHANNEL, Scope.PRESET, Scope.WHOLE) or place.bus in buses
