"""What ears notice: steps of level, loudness, and how late an answer may come. Pure.

Figures are those of listeners in studies; people differ. They say whether a number is worth a
word, not whether a mix is right.
"""

from __future__ import annotations

import math

from bridge.stage.checks import not_negative

WEBER_DB = -10.0
"""Smallest change of power that is heard, against the power, dB: broadband sound above 30 dB SPL
(Ballou (ed.), Handbook for Sound Engineers, p. 54)."""

STEP_DB = 1.0
"""Change of level that is taken to be heard, dB: an engineer's rule (from memory: Zwicker and
Fastl; Moore)."""

FAINT_STEP_DB = 3.0
"""The same for faint sounds, dB (Ballou, the same page)."""

ONE_SONE_PHON = 40.0
"""Loudness level of 1 sone, phon."""

PHON_A_DOUBLING = 10.0
LOW_EXPONENT = 0.35
"""Loudness above and below 1 sone: 10 phon more are twice as loud; phon are ``40 N^0.35`` (the form
of ISO 532-1)."""

ANSWER_S, ANSWER_JITTER_S = 0.010, 0.001
"""How late a sound may answer a gesture and how much that may vary, s (Wessel and Wright, Computer
Music Journal 26(3) (2002) 11)."""


def least_step_db(weber_db: float = WEBER_DB) -> float:
    """Smallest change of level that is heard, dB: ``10 log10(1 + 10^(W / 10))``.

    Args:
        weber_db: Smallest change of power against the power, dB.

    Raises:
        ValueError: it is not a number.
    """
    if not weber_db < math.inf:
        raise ValueError(f"Weber fraction, dB: found {weber_db:g}, expected a finite number")
    return 10.0 * math.log10(1.0 + float(10.0 ** (weber_db / 10.0)))


def sones(loudness_phon: float) -> float:
    """Loudness of a loudness level (phon, 0 or more), sone; 40 phon are 1, 50 are 2."""
    level = not_negative(loudness_phon, "loudness level, phon")
    if level >= ONE_SONE_PHON:
        return float(2.0 ** ((level - ONE_SONE_PHON) / PHON_A_DOUBLING))
    return float((level / ONE_SONE_PHON) ** (1.0 / LOW_EXPONENT))


def phons(loudness_sone: float) -> float:
    """Loudness level of a loudness (sone, 0 or more), phon."""
    loudness = not_negative(loudness_sone, "loudness, sone")
    if loudness >= 1.0:
        return ONE_SONE_PHON + PHON_A_DOUBLING * math.log2(loudness)
    return ONE_SONE_PHON * float(loudness**LOW_EXPONENT)


def feels_immediate(latency_s: float, jitter_s: float = 0.0) -> bool:
    """Whether a sound that follows a gesture so late seems to come with it.

    Args:
        latency_s: Time from gesture to sound, s, the whole way: control, bridge, console, air.
        jitter_s: How much that varies to either side, s.

    Raises:
        ValueError: one is negative or not finite.
    """
    late = not_negative(latency_s, "latency, s") > ANSWER_S
    uneven = not_negative(jitter_s, "jitter, s") > ANSWER_JITTER_S
    return not (late or uneven)
