"""Loudspeakers on an amplifier: impedance, verdict, clipping, line and loudest level. Pure.

These are estimates from printed ratings. They do not replace measurement, the makers' documents or
a qualified technician: where an amplifier and its loads are in doubt, measure before powering up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from bridge.stage.checks import finite, positive
from bridge.stage.sound import loudspeaker_db

DIP = 0.8
"""The lowest impedance in the rated band may be 80 % of the rated one (IEC 60268-5:2007, rated
impedance; clause 16.1 from memory)."""

DBU_V = 0.7745966692414834
"""0 dBu, V: the voltage of 1 mW in 600 ohm, ``sqrt(0.6)``. 0 dBV is 1 V."""


class Fit(StrEnum):
    """How a load suits an amplifier."""

    FITS = "fits"
    WARN = "warn"
    REFUSE = "refuse"


@dataclass(frozen=True, slots=True)
class Amplifier:
    """One amplifier channel as its plate or its papers describe it.

    Attributes:
        power_w: Continuous power into ``rated_ohm``, W.
        rated_ohm: Load at which that power is given, ohm.
        least_ohm: Lowest load that it allows, ohm, not above ``rated_ohm``.
        gain_db: Voltage gain, dB.
    """

    power_w: float
    rated_ohm: float
    least_ohm: float
    gain_db: float = 32.0

    def __post_init__(self) -> None:
        positive(self.power_w, "amplifier power, W")
        positive(self.rated_ohm, "rated load, ohm")
        finite(self.gain_db, "amplifier gain, dB")
        if not positive(self.least_ohm, "least load, ohm") <= self.rated_ohm:
            raise ValueError(
                f"least load, ohm: found {self.least_ohm:g}, expected up to {self.rated_ohm:g}"
            )

    @property
    def clip_v(self) -> float:
        """Voltage at which the output clips, V rms of a sine: ``sqrt(P R)``."""
        return math.sqrt(self.power_w * self.rated_ohm)

    @property
    def clip_input_dbu(self) -> float:
        """Input level of a sine at which the output clips, dBu (0.775 V)."""
        return dbu(self.clip_v) - self.gain_db


@dataclass(frozen=True, slots=True)
class LoadVerdict:
    """Whether an amplifier may drive a load, and why.

    Attributes:
        fit: Fits, a warning, or refused.
        rated_ohm: Rated impedance of the load, ohm.
        dip_ohm: Lowest impedance that the rating allows, ohm.
        reason: What was found and what was expected.
    """

    fit: Fit
    rated_ohm: float
    dip_ohm: float
    reason: str


def dbu(voltage_v: float) -> float:
    """Level of a voltage (V rms, above 0), dBu."""
    return 20.0 * math.log10(positive(voltage_v, "voltage, V") / DBU_V)


def dbu_volts(level_dbu: float) -> float:
    """Voltage of a level in dBu, V rms; the peaks of a sine are ``sqrt(2)`` above it."""
    return DBU_V * float(10.0 ** (finite(level_dbu, "level, dBu") / 20.0))


def dbv(level_dbu: float) -> float:
    """A level in dBu as dBV, 2.2 dB less."""
    return finite(level_dbu, "level, dBu") + 20.0 * math.log10(DBU_V)


def dbfs(level_dbu: float, full_scale_dbu: float) -> float:
    """A level at a console's output as its digital meter shows it, dBFS.

    Args:
        level_dbu: The level, dBu.
        full_scale_dbu: Level at full scale by the console's papers, dBu.
    """
    return finite(level_dbu, "level, dBu") - finite(full_scale_dbu, "full scale, dBu")


def parallel_ohm(*impedances_ohm: float) -> float:
    """Impedance of loads side by side, ohm: ``1 / sum(1 / Z)``.

    Mixed circuits are calls inside calls: ``parallel_ohm(series_ohm(8, 8), series_ohm(8, 8))``.

    Raises:
        ValueError: there is none, or one is not above 0.
    """
    if not impedances_ohm:
        raise ValueError("loads: found none, expected one or more")
    return 1.0 / sum(1.0 / positive(z, "impedance, ohm") for z in impedances_ohm)


def series_ohm(*impedances_ohm: float) -> float:
    """Impedance of loads one after the other, ohm: the sum.

    Raises:
        ValueError: there is none, or one is not above 0.
    """
    if not impedances_ohm:
        raise ValueError("loads: found none, expected one or more")
    return sum(positive(z, "impedance, ohm") for z in impedances_ohm)


def dip_ohm(rated_ohm: float) -> float:
    """Lowest impedance that a rated one allows, ohm (80 %, IEC 60268-5)."""
    return DIP * positive(rated_ohm, "rated impedance, ohm")


def largest_rating_ohm(least_ohm: float) -> float:
    """Largest rated impedance that a measured minimum allows, ohm (minimum / 0.8)."""
    return positive(least_ohm, "lowest impedance, ohm") / DIP


def load_verdict(amplifier: Amplifier, rated_ohm: float) -> LoadVerdict:
    """Judge a load by its rating: refused below the amplifier's least load, a warning in its dips.

    An estimate from ratings; it does not replace measuring the impedance.

    Args:
        amplifier: The amplifier channel.
        rated_ohm: Rated impedance of everything on it, ohm (``parallel_ohm``, ``series_ohm``).
    """
    dip, least = dip_ohm(rated_ohm), amplifier.least_ohm
    if not rated_ohm >= least:
        fit, found = Fit.REFUSE, f"a load of {rated_ohm:.2f} ohm"
    elif not dip >= least:
        fit, found = Fit.WARN, f"a load that may dip to {dip:.2f} ohm"
    else:
        return LoadVerdict(Fit.FITS, rated_ohm, dip, f"{dip:.2f} ohm at the lowest")
    return LoadVerdict(fit, rated_ohm, dip, f"found {found}, expected {least:.2f} ohm or more")


def available_w(amplifier: Amplifier, load_ohm: float) -> float:
    """Power into a load just before the output clips, W: ``V^2 / Z``, voltage being the limit.

    Raises:
        ValueError: the load lies below the amplifier's least one, where current is the limit.
    """
    if not load_ohm >= amplifier.least_ohm:
        raise ValueError(f"load, ohm: found {load_ohm:g}, expected {amplifier.least_ohm:g} or more")
    return amplifier.clip_v**2 / positive(load_ohm, "load, ohm")


def loudest_db(
    sensitivity_db: float, amplifier_w: float, handling_w: float, distance_m: float = 1.0
) -> float:
    """Loudest level of a loudspeaker before the amplifier clips or the box is overloaded, dB SPL.

    An estimate without power compression: measured maxima lie some dB lower.

    Args:
        sensitivity_db: Level at 1 W and 1 m, dB SPL.
        amplifier_w: Power that the amplifier gives into it, W.
        handling_w: Continuous power that the loudspeaker takes, W.
        distance_m: Distance, m.
    """
    least = min(positive(amplifier_w, "amplifier power, W"), positive(handling_w, "handling, W"))
    return loudspeaker_db(sensitivity_db, least, distance_m)
