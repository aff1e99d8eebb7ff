"""A pedal that does not reach its ends: the outer travel counts as the end. Pure."""

from __future__ import annotations

from bridge.maps.scale import GridScale, Raw
from bridge.units import Law


class _Zoned:
    """A law over the whole travel of a control whose ends are dead."""

    def __init__(self, law: Law, zone: float) -> None:
        self._law, self._zone = law, zone

    def db(self, position: float) -> float:
        return self._law.db(within(position, self._zone))

    def position(self, level_db: float) -> float:
        """The travel of a level; an end is shown at the very end."""
        inner = self._law.position(level_db)
        if inner <= 0.0 or inner >= 1.0:
            return inner
        return self._zone + inner * (1.0 - 2.0 * self._zone)


def within(position: float, zone: float) -> float:
    """The travel that counts: 0 and 1 in the dead zones, straight in between; NaN stays NaN.

    Args:
        position: The control's travel, 0..1.
        zone: How much of it is dead at each end, less than 0.5.
    """
    if position <= zone:
        return 0.0
    if position >= 1.0 - zone:
        return 1.0
    return (position - zone) / (1.0 - 2.0 * zone)


class PedalScale:
    """A level by travel with a dead zone at both ends.

    Attributes:
        law: The law of the travel that counts.
    """

    __slots__ = ("_inner", "_zone", "law")

    law: Law | None

    def __init__(
        self,
        law: Law,
        ends: tuple[float, float],
        zone: float,
        *,
        whole: bool,
        off: float | None = None,
    ) -> None:
        """Prepare a scale.

        Args:
            law: Level by the travel that counts.
            ends: As in ``GridScale``.
            zone: How much of the whole travel is dead at each end.
            whole: As in ``GridScale``.
            off: As in ``GridScale``.

        Raises:
            ValueError: the ends cannot carry a level.
        """
        self.law, self._zone = law, zone
        self._inner = GridScale(_Zoned(law, zone), ends, whole=whole, off=off)

    def raw(self, value: float) -> Raw:
        """The highest number whose level is not above the value, as ``GridScale`` says it."""
        return self._inner.raw(value)

    def value(self, raw: Raw) -> float:
        """The level that a number means, dB."""
        return self._inner.value(raw)

    def position(self, raw: Raw) -> float:
        """The travel that counts, 0..1."""
        return within(self._inner.position(raw), self._zone)
