"""How much sound ears have had, and how long they may have more, by several standards. Pure.

Levels are A-weighted, dB re 20 micropascals, at the ear. What the bridge knows is an estimate from
declared levels: it does not replace measurement with a dosimeter, a hearing professional's advice,
or the law of the place. Each standard keeps its own rule, so their figures differ on purpose.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from bridge.stage.checks import not_negative, positive

HOUR_S = 3600.0
WORKDAY_S = 8 * HOUR_S
ENERGY_EXCHANGE_DB = 10.0 * math.log10(2.0)
"""Level that doubles the energy, 3.01 dB: the rule of equal energy without rounding."""

LEVEL_MAX_DB = 200.0
"""A level above this is a fault of the measurement, not sound."""


@dataclass(frozen=True, slots=True)
class Standard:
    """One rule for sound over time: 100 % is ``criterion_db`` for ``criterion_s``.

    Attributes:
        name: What people call it.
        criterion_db: Level that is allowed for the criterion time, dB(A).
        criterion_s: That time, s.
        exchange_db: Level that halves the time, dB.
        mean_slope_db: Factor of ``log10`` in the standard's own formula for the mean level, dB.
        threshold_db: Levels below it do not count, dB(A).
        ceiling_db: Never above it, however short, dB(A); ``inf`` where there is none.
        peak_db: Largest instantaneous peak, dB(C) or unweighted as the standard has it; ``inf``
            where there is none.
        source: Where this is written.
    """

    name: str
    criterion_db: float
    criterion_s: float
    exchange_db: float
    mean_slope_db: float
    threshold_db: float
    ceiling_db: float
    peak_db: float
    source: str


def _eu(name: str, level_db: float, peak_db: float) -> Standard:
    source = "Directive 2003/10/EC, article 3"
    return Standard(
        *(f"EU {name}", level_db, WORKDAY_S, ENERGY_EXCHANGE_DB, 10.0),
        *(-math.inf, math.inf, peak_db, source),
    )


def _osha(name: str, threshold_db: float) -> Standard:
    source = "29 CFR 1910.95 and its appendix A"
    slope_db = 5.0 / math.log10(2.0)  # printed as 16.61
    return Standard(
        f"OSHA {name}", 90.0, WORKDAY_S, 5.0, slope_db, threshold_db, 115.0, 140.0, source
    )


STANDARDS: dict[str, Standard] = {
    "niosh": Standard(
        *("NIOSH recommended limit", 85.0, WORKDAY_S, 3.0, 10.0, 80.0, 140.0, 140.0),
        "NIOSH publication 98-126 (1998), formulas; its printed table is not to be loaded",
    ),
    "osha-limit": _osha("permissible limit", 90.0),
    "osha-conservation": _osha("hearing conservation", 80.0),
    "eu-lower": _eu("lower action value", 80.0, 135.0),
    "eu-upper": _eu("upper action value", 85.0, 137.0),
    "eu-limit": _eu("limit value", 87.0, 140.0),
    "listening-adult": Standard(
        *("WHO and ITU safe listening, adults, a week", 80.0, 40 * HOUR_S, 3.0, 10.0),
        *(-math.inf, math.inf, math.inf, "ITU-T H.870 (1.6 Pa^2 h from memory)"),
    ),
}
"""The standards that a rig may choose. The EU limit value counts at the ear, under any protection;
the action values count without it. Thresholds: 1910.95(d)(2) for hearing conservation. NIOSH's
threshold of 80 dB(A), its ceiling and its peak of 140 dB are from memory."""

VENUE_DB, VENUE_S = 100.0, 15 * 60.0
"""Level in any 15 minutes at a venue, dB L_Aeq (WHO global standard for safe listening venues and
events, 2022)."""

WINDOW_GRAIN_S = 1.0
"""Parts of a window shorter than this are put together, so that a window stays small."""

POINTS_AT_85 = 100.0
"""Points of 85 dB(A) for 8 hours in the HSE's ready-reckoner."""


@dataclass(frozen=True, slots=True)
class Dose:
    """What one pair of ears has had by one standard.

    Attributes:
        standard: The rule.
        at_s: Up to when it is counted, s.
        percent: Dose so far; 100 is all that is allowed.
    """

    standard: Standard
    at_s: float
    percent: float = 0.0

    def after(self, level_db: float, until_s: float) -> Dose:
        """The dose when a level has stood from ``at_s`` until now.

        Args:
            level_db: Level at the ear, dB(A); ``-inf`` is silence.
            until_s: Now, s, on the clock of ``at_s`` and not before it.

        Raises:
            ValueError: the level is no level, or time runs backward.
        """
        _forward(self.at_s, until_s)
        more = dose_percent([(level_db, until_s - self.at_s)], self.standard)
        return replace(self, at_s=until_s, percent=self.percent + more)

    def remaining_s(self, level_db: float) -> float:
        """How long this level may stand until the dose is 100 %, s; 0 when it is used up.

        ``inf`` below the standard's threshold, unless the dose is used up; 0 above its ceiling.
        """
        left = max(0.0, 1.0 - self.percent / 100.0)
        if left == 0.0 or level_db > self.standard.ceiling_db:
            return 0.0
        if _level(level_db) < self.standard.threshold_db:
            return math.inf
        return left * allowed_s(level_db, self.standard)

    def mean_db(self) -> float:
        """The dose as the steady level over the criterion time that gives it, dB(A)."""
        return mean_level_db(self.percent, self.standard)


@dataclass(frozen=True, slots=True)
class Window:
    """The sound of the last minutes at one place, for rules about any quarter of an hour.

    Attributes:
        at_s: Up to when it is counted, s.
        span_s: How far it looks back, s.
        parts: Start, end (s) and mean power of each part, oldest first.
    """

    at_s: float
    span_s: float = VENUE_S
    parts: tuple[tuple[float, float, float], ...] = ()

    def __post_init__(self) -> None:
        positive(self.span_s, "span, s")

    def after(self, level_db: float, until_s: float) -> Window:
        """The window when a level has stood from ``at_s`` until now.

        Args:
            level_db: Level, dB(A); ``-inf`` is silence.
            until_s: Now, s, on the clock of ``at_s`` and not before it.

        Raises:
            ValueError: the level is no level, or time runs backward.
        """
        _forward(self.at_s, until_s)
        part = (self.at_s, until_s, 10.0 ** (_level(level_db) / 10.0))
        kept = [old for old in self.parts if old[1] > until_s - self.span_s]
        if kept and until_s - kept[-1][0] <= WINDOW_GRAIN_S:
            part = _joined(kept.pop(), part)
        return replace(self, at_s=until_s, parts=(*kept, part))

    def mean_db(self) -> float:
        """Equivalent level over the span, dB L_Aeq; time before the count began is silence."""
        since_s = self.at_s - self.span_s
        energy = sum((end - max(start, since_s)) * power for start, end, power in self.parts)
        return -math.inf if not energy > 0.0 else 10.0 * math.log10(energy / self.span_s)

    def is_within(self, limit_db: float = VENUE_DB) -> bool:
        """Whether the equivalent level is within a limit, dB L_Aeq."""
        return self.mean_db() <= limit_db + 1e-9  # exactly at the limit, whatever rounding did


def _joined(
    old: tuple[float, float, float], new: tuple[float, float, float]
) -> tuple[float, float, float]:
    """Two parts that follow one another as one with their energy."""
    whole_s = new[1] - old[0]
    energy = (old[1] - old[0]) * old[2] + (new[1] - new[0]) * new[2]
    return old[0], new[1], energy / whole_s if whole_s > 0.0 else new[2]


def allowed_s(level_db: float, standard: Standard) -> float:
    """Time that a steady level is allowed, s: the formula, without threshold and ceiling.

    ``criterion_s / 2^((L - criterion) / exchange)``; ``inf`` for silence.
    """
    doublings = (_level(level_db) - standard.criterion_db) / standard.exchange_db
    return math.inf if doublings < -1000.0 else standard.criterion_s / float(2.0**doublings)


def dose_percent(parts: Iterable[tuple[float, float]], standard: Standard) -> float:
    """Dose of several levels one after the other, %: ``100 sum(C / T)``.

    Args:
        parts: Pairs of level, dB(A), and time, s. Levels below the threshold do not count.
        standard: The rule.

    Raises:
        ValueError: a level is no level, or a time is negative or not finite.
    """
    total = 0.0
    for level_db, time_s in parts:
        not_negative(time_s, "time, s")
        if _level(level_db) >= standard.threshold_db:
            total += time_s / allowed_s(level_db, standard)
    return 100.0 * total


def mean_level_db(percent: float, standard: Standard) -> float:
    """Steady level over the criterion time that gives a dose, dB(A); ``-inf`` for none.

    NIOSH and EU ``85 (80, 87) + 10 log10(D / 100)``, OSHA ``90 + 16.61 log10(D / 100)``.
    """
    if not_negative(percent, "dose, %") == 0.0:
        return -math.inf
    return standard.criterion_db + standard.mean_slope_db * math.log10(percent / 100.0)


def daily_level_db(parts: Iterable[tuple[float, float]]) -> float:
    """Daily exposure level ``L_EX,8h``, dB(A): the energy of all parts spread over 8 hours.

    ``10 log10(sum(T / 8 h * 10^(L / 10)))``, ISO 1999 and Directive 2003/10/EC. The time is
    divided by 8 hours: a page that forgets it gives 91 instead of 82 for 85 dB(A) in 4 h.

    Args:
        parts: Pairs of level, dB(A), and time, s.
    """
    energy = sum(
        not_negative(time_s, "time, s") / WORKDAY_S * 10.0 ** (_level(level_db) / 10.0)
        for level_db, time_s in parts
    )
    return -math.inf if energy == 0.0 else 10.0 * math.log10(energy)


def points(daily_db: float) -> float:
    """Exposure points of a daily level, ``100 * 10^((L_EX - 85) / 10)`` (HSE ready-reckoner)."""
    return POINTS_AT_85 * float(10.0 ** ((_level(daily_db) - 85.0) / 10.0))


def daily_db_of_points(number: float, days: float = 1.0) -> float:
    """Daily level of a number of points spread over days, dB(A); 2000 in 5 days are 91.0."""
    share = positive(number, "points") / positive(days, "days")
    return 85.0 + 10.0 * math.log10(share / POINTS_AT_85)


def peak_is_within(peak_db: float, standard: Standard) -> bool:
    """Whether a peak is within the standard's peak value, both in dB.

    The directive also prints pascals, rounded: 140 Pa for 137 dB(C), which is 141.6 Pa. So peaks
    are compared in dB.
    """
    return peak_db <= standard.peak_db


def _forward(at_s: float, until_s: float) -> None:
    if not at_s <= until_s < math.inf:
        raise ValueError(f"time, s: found {until_s:g}, expected {at_s:g} or later")


def _level(level_db: float) -> float:
    if not level_db <= LEVEL_MAX_DB:
        raise ValueError(f"level, dB(A): found {level_db}, expected {LEVEL_MAX_DB:g} or less")
    return level_db
