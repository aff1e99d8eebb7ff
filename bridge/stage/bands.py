"""Third-octave bands: exact frequencies, edges, nominal labels, nearest band. Pure.

IEC 61260-1:2014, base 10: ``f = 1000 * 10^(x / 10)`` Hz, edges ``10^(+-0.05)`` of it. Nominal
labels after ISO 266 (series R10); they are names, not frequencies to compute with: 31.5 is 31.62.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from bridge.stage.checks import positive

EDGE = 10.0**0.05
"""From a band's middle to its upper edge; the lower one is as far down."""

REFERENCE_NUMBER = 30
"""Band number of 1 kHz: ``f = 10^(N / 10)``."""

_LABELS = (
    *("20", "25", "31.5", "40", "50", "63", "80", "100", "125", "160"),
    *("200", "250", "315", "400", "500", "630", "800", "1000", "1250", "1600"),
    *("2000", "2500", "3150", "4000", "5000", "6300", "8000", "10000", "12500", "16000"),
    "20000",
)
_FIRST_NUMBER = 13


@dataclass(frozen=True, slots=True)
class Band:
    """One third-octave band.

    Attributes:
        number: 13 (20 Hz) .. 43 (20 kHz); 30 is 1 kHz.
        label: Nominal frequency as people write it, Hz.
        centre_hz: Exact middle, Hz.
        lower_hz: Lower edge, Hz; it belongs to the band.
        upper_hz: Upper edge, Hz; it belongs to the next band.
    """

    number: int
    label: str
    centre_hz: float
    lower_hz: float
    upper_hz: float


def _band(number: int, label: str) -> Band:
    centre = 10.0 ** (number / 10.0)
    return Band(number, label, centre, centre / EDGE, centre * EDGE)


BANDS: tuple[Band, ...] = tuple(
    _band(number, label) for number, label in enumerate(_LABELS, start=_FIRST_NUMBER)
)
"""The 31 bands from 20 Hz to 20 kHz."""


def band_of(frequency_hz: float) -> Band:
    """The band that holds a frequency.

    Args:
        frequency_hz: 17.8 .. 22387 Hz, the edges of the first and the last band.

    Raises:
        ValueError: no band holds it.
    """
    positive(frequency_hz, "frequency, Hz")
    index = math.floor(10.0 * math.log10(frequency_hz) + 0.5) - _FIRST_NUMBER
    if not 0 <= index < len(BANDS):
        low, high = BANDS[0].lower_hz, BANDS[-1].upper_hz
        raise ValueError(f"frequency, Hz: found {frequency_hz:g}, expected {low:.1f} to {high:.0f}")
    return BANDS[index]


def band_named(label: str) -> Band:
    """The band with a nominal label, as ``"31.5"`` or ``"1000"``.

    Raises:
        ValueError: no band has this label.
    """
    for band in BANDS:
        if band.label == label:
            return band
    raise ValueError(f"band: found '{label}', expected one of {', '.join(_LABELS)}")
