"""What a controller can be shown: values, which turn is on, and nothing where nothing is. Pure.

Besides the slots of parameters there are *lamps*: numbers below ``NOWHERE`` for what depends on the
turn alone. Some show a turn; one beside every value of a turn puts it out when another turn comes
that has nothing to show there.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from typing import NamedTuple

from bridge.maps.move import NOWHERE
from bridge.maps.scale import Raw, Scale, WordScale
from bridge.maps.turns import ALWAYS, Turns
from bridge.units import OFF


class _Lamp(NamedTuple):
    spot: int
    scale: Scale
    turn: int


class Lamps:
    """Everything that one controller is shown.

    Args:
        turns: Its turns.
        say: Writes the messages of a spot with a number.
        address: What makes two spots one thing at the controller.

    Attributes:
        turning: Slots and lamps that are to be shown anew when another turn is on.
    """

    def __init__(
        self,
        turns: Turns,
        say: Callable[[int, Raw], tuple[bytes, ...]],
        address: Callable[[int], Hashable],
    ) -> None:
        self._turns, self._say, self._address = turns, say, address
        self._of_slot: dict[int, list[_Lamp]] = {}
        self._of_turn: dict[int, tuple[_Lamp, int]] = {}
        self._dark: dict[int, _Lamp] = {}
        self._used: dict[int, set[Hashable]] = {}
        self.turning: dict[int, None] = {}

    def _new(self) -> int:
        lamp = NOWHERE - 1 - len(self._of_turn) - len(self._dark)
        self.turning[lamp] = None
        return lamp

    def add(self, slot: int, spot: int, scale: Scale, turn: int) -> None:
        """A spot shows a parameter's value while a turn is on."""
        self._of_slot.setdefault(slot, []).append(_Lamp(spot, scale, turn))
        self._used.setdefault(turn, set()).add(self._address(spot))
        if turn != ALWAYS:
            self.turning[slot] = None
            if scale.law is not None or isinstance(scale, WordScale):
                self._dark[self._new()] = _Lamp(spot, scale, turn)

    def add_turn(self, about: int, spot: int, scale: Scale, turn: int) -> None:
        """A spot shows whether turn ``about`` is on; which one is, for ``ALWAYS``."""
        self._used.setdefault(turn, set()).add(self._address(spot))
        lamp = _Lamp(spot, scale, turn)
        self._of_turn[self._new()] = (lamp, about)
        if turn != ALWAYS and isinstance(scale, WordScale):
            self._dark[self._new()] = lamp

    @property
    def slots(self) -> Mapping[int, object]:
        """The slots of parameters that are shown in some turn."""
        return self._of_slot

    @property
    def lamps(self) -> tuple[int, ...]:
        """What depends on the turn alone, in the order in which it is to be shown."""
        return tuple(sorted((*self._of_turn, *self._dark), reverse=True))

    def feedback(self, slot: int, value: float) -> tuple[bytes, ...]:
        """The messages that show a value, or a lamp; none where nothing shows it now."""
        if slot < NOWHERE:
            return self._lamp(slot)
        return tuple(
            data
            for spot, scale, turn in self._of_slot.get(slot, ())
            if turn in (ALWAYS, self._turns.now)
            for data in self._say(spot, scale.raw(value))
        )

    def _lamp(self, lamp: int) -> tuple[bytes, ...]:
        now = self._turns.now
        shown = self._of_turn.get(lamp)
        if shown is not None:
            (spot, scale, turn), about = shown
            value = float(now) if about == ALWAYS else float(about == now)
            return self._say(spot, scale.raw(value)) if turn in (ALWAYS, now) else ()
        spot, scale, turn = self._dark[lamp]
        used = self._used.get(now, set()) | self._used.get(ALWAYS, set())
        if turn == now or self._address(spot) in used:
            return ()
        return self._say(spot, scale.raw(0.0 if scale.law is None else OFF))
