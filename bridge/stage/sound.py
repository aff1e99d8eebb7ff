"""Sound levels: sums, distance, speed, delay, power, pressure. Pure.

Levels are dB re 20 micropascals (sound) or re 1 W (power). Distances are from a small source in
the open: indoors, beyond the critical distance (``gain.py``), levels fall more slowly.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from bridge.stage.checks import finite, not_negative, positive
from bridge.units import OFF

REFERENCE_PA = 20e-6
"""Reference sound pressure, Pa (ISO 1683); some pages print it ten times too large."""

REFERENCE_TEMPERATURE_K = 293.15
SPEED_AT_REFERENCE = 343.2
"""Speed of sound in dry air at 20 degrees C, m/s (ISO 9613-1:1993)."""

SENSITIVITY_V = 2.83
"""Voltage at which sensitivities are printed: 1 W in 8 ohm (8.009 V^2)."""


def distance_change_db(from_m: float, to_m: float) -> float:
    """Change of level between two distances from one source, dB; farther is negative.

    Args:
        from_m: Distance where the level is known, m.
        to_m: Distance where it is wanted, m.

    Raises:
        ValueError: a distance is not above 0.
    """
    near, far = positive(from_m, "distance, m"), positive(to_m, "distance, m")
    return -20.0 * math.log10(far / near)


def speed_of_sound(temperature_c: float = 20.0) -> float:
    """Speed of sound in air, m/s.

    ``343.2 sqrt(T / 293.15)``, ISO 9613-1:1993. The usual straight line 331.3 + 0.606 t reads
    0.8 m/s too much at 40 degrees, so it is not used.

    Args:
        temperature_c: Air temperature, degrees C, -50..60.

    Raises:
        ValueError: the temperature lies outside that range.
    """
    if not -50.0 <= temperature_c <= 60.0:
        raise ValueError(f"temperature, degrees C: found {temperature_c:g}, expected -50..60")
    return SPEED_AT_REFERENCE * math.sqrt((273.15 + temperature_c) / REFERENCE_TEMPERATURE_K)


def wavelength_m(frequency_hz: float, temperature_c: float = 20.0) -> float:
    """Wavelength in air, m, of a frequency in Hz above 0."""
    return speed_of_sound(temperature_c) / positive(frequency_hz, "frequency, Hz")


def delay_s(distance_m: float, temperature_c: float = 20.0) -> float:
    """Time that sound takes for a distance (m, 0 or more), s: 3 m take 8.7 ms."""
    return not_negative(distance_m, "distance, m") / speed_of_sound(temperature_c)


def incoherent_sum_db(levels_db: Sequence[float]) -> float:
    """Level of several sources that have nothing to do with one another, dB.

    Powers add. ``-inf`` counts as silence; no levels at all is silence.

    Raises:
        ValueError: a level is not a number or is ``+inf``.
    """
    return _power_level(sum(10.0 ** (_sound(x) / 10.0) for x in levels_db))


def coherent_sum_db(levels_db: Sequence[float], phases_deg: Sequence[float] | None = None) -> float:
    """Level of several copies of one signal, dB.

    Pressures add with their phases. Without phases all are in step: the loudest sum there can be.

    Args:
        levels_db: Level of each copy alone, dB; ``-inf`` counts as silence.
        phases_deg: Phase of each, degrees.

    Raises:
        ValueError: a level is not a number or is ``+inf``, or there is not one phase a level.
    """
    phases = [0.0] * len(levels_db) if phases_deg is None else list(phases_deg)
    if len(phases) != len(levels_db):
        raise ValueError(f"phases: found {len(phases)}, expected {len(levels_db)}, one a level")
    turns = [math.radians(finite(p, "phase, degrees")) for p in phases]
    sizes = [10.0 ** (_sound(x) / 20.0) for x in levels_db]
    along = sum(size * math.cos(turn) for size, turn in zip(sizes, turns, strict=True))
    across = sum(size * math.sin(turn) for size, turn in zip(sizes, turns, strict=True))
    return _power_level(along * along + across * across)


def arrivals_db(
    levels_db: Sequence[float],
    distances_m: Sequence[float],
    frequency_hz: float,
    temperature_c: float = 20.0,
) -> float:
    """Level of one tone from several loudspeakers at a point, dB: a comb filter's value there.

    Args:
        levels_db: What each loudspeaker alone makes at the point, dB.
        distances_m: Way of the sound from each, m; it sets the phase.
        frequency_hz: The tone, Hz.
        temperature_c: Air temperature, degrees C.
    """
    turn = -360.0 * positive(frequency_hz, "frequency, Hz")
    return coherent_sum_db(levels_db, [turn * delay_s(d, temperature_c) for d in distances_m])


def power_db(power_w: float) -> float:
    """Power in dB re 1 W; 0 W is ``-inf``.

    Raises:
        ValueError: the power is negative or not finite.
    """
    return _power_level(not_negative(power_w, "power, W"))


def watts(voltage_v: float, impedance_ohm: float) -> float:
    """Power of a voltage across a load, W (``V^2 / R``)."""
    voltage = not_negative(voltage_v, "voltage, V")
    return voltage * voltage / positive(impedance_ohm, "impedance, ohm")


def sensitivity_1w_db(level_at_voltage_db: float, impedance_ohm: float) -> float:
    """Sensitivity at 1 W and 1 m of a loudspeaker that is printed for 2.83 V, dB.

    2.83 V are 1 W in 8 ohm but 2 W in 4 ohm, so a 4 ohm loudspeaker loses 3 dB.
    """
    finite(level_at_voltage_db, "sensitivity, dB")
    return level_at_voltage_db - power_db(watts(SENSITIVITY_V, impedance_ohm))


def loudspeaker_db(sensitivity_db: float, power_w: float, distance_m: float = 1.0) -> float:
    """Level of a loudspeaker on axis, dB.

    An estimate: it knows nothing of power compression, of walls, or of limiters.

    Args:
        sensitivity_db: Level at 1 W and 1 m, dB.
        power_w: Electrical power, W.
        distance_m: Distance, m.
    """
    finite(sensitivity_db, "sensitivity, dB")
    return sensitivity_db + power_db(power_w) + distance_change_db(1.0, distance_m)


def pascals(level_db: float) -> float:
    """Sound pressure of a level, Pa; ``-inf`` is 0."""
    return REFERENCE_PA * float(10.0 ** (_sound(level_db) / 20.0))


def pressure_db(pressure_pa: float) -> float:
    """Level of a sound pressure in Pa (0 or more), dB; 0 is ``-inf``."""
    ratio = not_negative(pressure_pa, "pressure, Pa") / REFERENCE_PA
    return _power_level(ratio * ratio)


def _sound(level_db: float) -> float:
    if not level_db < math.inf:
        raise ValueError(f"level, dB: found {level_db}, expected a number or -inf")
    return level_db


def _power_level(power: float) -> float:
    return OFF if power == 0.0 else 10.0 * math.log10(power)
