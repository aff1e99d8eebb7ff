"""Loudspeaker cables: resistance, loss, damping, and what may not be used as one. Pure.

Resistances are those of new copper at 20 degrees C unless said otherwise. The way out and the way
back both count: the loop is two conductors long. Estimates do not replace measurement, nor local
codes and a licensed electrician where cable is fixed to a building.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from bridge.stage.checks import not_negative, positive

FLEXIBLE_OHM_PER_KM: dict[float, float] = {
    0.5: 39.0,
    0.75: 26.0,
    1.0: 19.5,
    1.5: 13.3,
    2.5: 7.98,
    4.0: 4.95,
    6.0: 3.30,
    10.0: 1.91,
    16.0: 1.21,
}
"""Largest resistance of plain flexible copper by section in mm^2, ohm/km at 20 degrees C: IEC 60228
class 5, as mycableengineering.com and other public pages give it."""

RIGID_OHM_PER_KM: dict[float, float] = {
    0.5: 36.0,
    0.75: 24.5,
    1.0: 18.1,
    1.5: 12.1,
    2.5: 7.41,
    4.0: 4.61,
    6.0: 3.08,
    10.0: 1.83,
    16.0: 1.15,
}
"""The same for solid and stranded plain copper: IEC 60228 classes 1 and 2."""

COPPER_OHM_MM2_PER_KM = 17.241
"""Resistivity of annealed copper at 20 degrees C (the international standard, 100 %)."""

COPPER_PER_KELVIN = 0.00393
"""Rise of copper's resistance, 1/K at 20 degrees C (from memory; standard value)."""

FEET_PER_M = 1.0 / 0.3048

LOSS_LIMIT_DB = 0.5
"""Level that a loudspeaker line may lose before it is worth a word (common practice)."""


class Use(StrEnum):
    """What a cable is made for."""

    LOUDSPEAKER = "loudspeaker"
    INSTRUMENT = "instrument"
    MICROPHONE = "microphone"


@dataclass(frozen=True, slots=True)
class LineVerdict:
    """Whether a cable may feed a loudspeaker, and what it costs.

    Attributes:
        allowed: False for cable of another kind.
        loss_db: Change of level at the loudspeaker, dB, 0 or less.
        loop_ohm: Resistance of both conductors, ohm.
        reason: What was found and what was expected; empty where nothing is to be said.
    """

    allowed: bool
    loss_db: float
    loop_ohm: float
    reason: str


def section_ohm_per_km(section_mm2: float, table: dict[float, float] | None = None) -> float:
    """Resistance of one conductor by its section, ohm/km at 20 degrees C.

    Args:
        section_mm2: One of the table's sections, mm^2.
        table: ``FLEXIBLE_OHM_PER_KM`` when missing, or ``RIGID_OHM_PER_KM``.

    Raises:
        ValueError: the table has no such section.
    """
    known = FLEXIBLE_OHM_PER_KM if table is None else table
    if section_mm2 not in known:
        sizes = ", ".join(f"{size:g}" for size in known)
        raise ValueError(f"section, mm^2: found {section_mm2:g}, expected one of {sizes}")
    return known[section_mm2]


def gauge_diameter_mm(gauge: int) -> float:
    """Diameter of a solid conductor by its AWG number, mm.

    ``0.127 * 92^((36 - n) / 39)``, ASTM B258; -3 is 4/0.

    Raises:
        ValueError: the number lies outside -3..40.
    """
    if not -3 <= gauge <= 40:
        raise ValueError(f"gauge, AWG: found {gauge}, expected -3..40")
    return float(0.127 * 92.0 ** ((36 - gauge) / 39.0))


def gauge_ohm_per_km(gauge: int, temperature_c: float = 20.0) -> float:
    """Resistance of a solid copper conductor by its AWG number, ohm/km.

    Stranded ones of the same number read about 2 % more.

    Args:
        gauge: AWG number, -3..40.
        temperature_c: Temperature of the copper, degrees C.
    """
    area_mm2 = math.pi * gauge_diameter_mm(gauge) ** 2 / 4.0
    return COPPER_OHM_MM2_PER_KM / area_mm2 * warming(temperature_c)


def warming(temperature_c: float) -> float:
    """Factor of copper's resistance against 20 degrees C."""
    if not -100.0 <= temperature_c <= 200.0:
        raise ValueError(f"temperature, degrees C: found {temperature_c:g}, expected -100..200")
    return 1.0 + COPPER_PER_KELVIN * (temperature_c - 20.0)


def loop_ohm(length_m: float, ohm_per_km: float) -> float:
    """Resistance of a line of this length, both conductors, ohm."""
    return 2.0 * not_negative(length_m, "length, m") * positive(ohm_per_km, "ohm/km") / 1000.0


def loss_db(load_ohm: float, resistance_ohm: float) -> float:
    """Change of level at a load behind a line's loop resistance, dB, 0 or less.

    ``20 log10(Z / (Z + R))``. The rule of so many watts a metre holds for R far below Z only.
    """
    load = positive(load_ohm, "load, ohm")
    return 20.0 * math.log10(load / (load + not_negative(resistance_ohm, "loop, ohm")))


def powers_w(voltage_v: float, load_ohm: float, resistance_ohm: float) -> tuple[float, float]:
    """Power in the load and power lost in the line at an amplifier's voltage, W."""
    load = positive(load_ohm, "load, ohm")
    total = load + not_negative(resistance_ohm, "loop, ohm")
    current_a = not_negative(voltage_v, "voltage, V") / total
    return current_a**2 * load, current_a**2 * resistance_ohm


def longest_m(load_ohm: float, ohm_per_km: float, most_db: float = LOSS_LIMIT_DB) -> float:
    """Longest line that loses no more than a level, m.

    Args:
        load_ohm: The loudspeaker, ohm.
        ohm_per_km: Resistance of one conductor, ohm/km.
        most_db: Loss allowed, dB, above 0.
    """
    ratio = float(10.0 ** (positive(most_db, "loss, dB") / 20.0))
    loop = positive(load_ohm, "load, ohm") * (ratio - 1.0)
    return loop / (2.0 * positive(ohm_per_km, "ohm/km") / 1000.0)


def damping_factor(load_ohm: float, output_ohm: float, resistance_ohm: float = 0.0) -> float:
    """Load over all that feeds it: ``Z / (R_amplifier + R_loop)``; ``inf`` for an ideal feed."""
    load = positive(load_ohm, "load, ohm")
    feed = not_negative(output_ohm, "amplifier output, ohm")
    feed += not_negative(resistance_ohm, "loop, ohm")
    return math.inf if feed == 0.0 else load / feed


def output_ohm(rated_ohm: float, rated_damping: float) -> float:
    """Output resistance of an amplifier from its rated damping factor, ohm."""
    return positive(rated_ohm, "rated load, ohm") / positive(rated_damping, "damping factor")


def line_verdict(use: Use, length_m: float, ohm_per_km: float, load_ohm: float) -> LineVerdict:
    """Judge a cable between an amplifier and a loudspeaker.

    Instrument and microphone cable is refused at any length: its conductors are thin, and its
    shield is one of them. An estimate; it does not replace measurement.

    Args:
        use: What the cable is made for.
        length_m: Its length, m.
        ohm_per_km: Resistance of one conductor, ohm/km.
        load_ohm: The loudspeaker, ohm.
    """
    loop = loop_ohm(length_m, ohm_per_km)
    loss = loss_db(load_ohm, loop)
    if use is not Use.LOUDSPEAKER:
        reason = f"found {use} cable on a loudspeaker, expected loudspeaker cable"
        return LineVerdict(False, loss, loop, reason)
    if not -loss <= LOSS_LIMIT_DB:
        reason = f"found a loss of {-loss:.1f} dB, expected {LOSS_LIMIT_DB:g} dB or less"
        return LineVerdict(True, loss, loop, reason)
    return LineVerdict(True, loss, loop, "")
