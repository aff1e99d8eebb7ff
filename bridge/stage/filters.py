"""Equaliser filters: peaking and notch biquads, their response, Q and bandwidth. Pure.

Source: R. Bristow-Johnson, Audio EQ Cookbook (public text in the repository
WebAudio/Audio-EQ-Cookbook). They say what a cut at a ring does to the response; the sound itself
stays in the console.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from bridge.stage.checks import finite, positive
from bridge.units import level


@dataclass(frozen=True, slots=True)
class NotchPractice:
    """How automatic notches against howling are set.

    Attributes:
        first_db: Gain of a new notch, dB.
        step_db: What each return of the howl adds to it, dB.
        octaves: Width, octaves.
        most: Most notches at a time.
    """

    first_db: float
    step_db: float
    octaves: float
    most: int

    def gain_db(self, times: int) -> float:
        """Gain of a notch after its howl has come so many times (1 or more), dB.

        Raises:
            ValueError: it has not come at all.
        """
        if not times >= 1:
            raise ValueError(f"times: found {times}, expected 1 or more")
        return self.first_db + self.step_db * (times - 1)


NOTCH_PRACTICE = {
    "gentle": NotchPractice(-3.0, -3.0, 1.0 / 10.0, 12),
    "firm": NotchPractice(-6.0, -6.0, 1.0 / 10.0, 12),
    "fine": NotchPractice(-3.0, -3.0, 1.0 / 60.0, 48),
}
"""Values in print: van Waterschoot and Moonen, Proc. IEEE 99 (2011) 288, gains in section V-B2,
widths with their numbers in section VII. Which gain goes with which width is not in print."""


@dataclass(frozen=True, slots=True)
class Biquad:
    """A filter of second order, ``(b0 + b1 z^-1 + b2 z^-2) / (1 + a1 z^-1 + a2 z^-2)``."""

    b0: float
    b1: float
    b2: float
    a1: float
    a2: float

    def response(self, frequency_hz: float, rate_hz: float) -> complex:
        """Complex gain at a frequency, Hz, at a sampling rate, Hz."""
        turn = 2.0 * math.pi * frequency_hz / positive(rate_hz, "sampling rate, Hz")
        z = complex(math.cos(turn), -math.sin(turn))  # one sample's delay
        return (self.b0 + z * (self.b1 + z * self.b2)) / (1.0 + z * (self.a1 + z * self.a2))

    def response_db(self, frequency_hz: float, rate_hz: float) -> float:
        """Gain at a frequency, dB; an exact zero is ``-inf``."""
        return level(abs(self.response(frequency_hz, rate_hz)))


def alpha_of_q(q: float, frequency_hz: float, rate_hz: float) -> float:
    """The cookbook's alpha from a Q above 0: ``sin(w0) / (2 Q)``."""
    return math.sin(_angle(frequency_hz, rate_hz)) / (2.0 * positive(q, "Q"))


def alpha_of_octaves(octaves: float, frequency_hz: float, rate_hz: float) -> float:
    """The cookbook's alpha from a bandwidth in octaves above 0.

    Bandwidth is between the half-gain points (dB) of a peak, between the -3 dB points of a notch.
    """
    w0 = _angle(frequency_hz, rate_hz)
    width = math.log(2.0) / 2.0 * positive(octaves, "bandwidth, octaves")
    return math.sin(w0) * math.sinh(width * w0 / math.sin(w0))


def peaking(alpha: float, gain_db: float, frequency_hz: float, rate_hz: float) -> Biquad:
    """A peak or, with a negative gain, a dip.

    Args:
        alpha: From ``alpha_of_q`` or ``alpha_of_octaves``, for the same frequency and rate.
        gain_db: Gain at the frequency, dB.
        frequency_hz: Middle, above 0 to below half of the sampling rate, Hz.
        rate_hz: Sampling rate, Hz.

    Raises:
        ValueError: a value lies outside its range.
    """
    a = 10.0 ** (finite(gain_db, "gain, dB") / 40.0)
    up, down = positive(alpha, "alpha") * a, alpha / a
    turn = -2.0 * math.cos(_angle(frequency_hz, rate_hz))
    a0 = 1.0 + down
    return Biquad((1.0 + up) / a0, turn / a0, (1.0 - up) / a0, turn / a0, (1.0 - down) / a0)


def notch(alpha: float, frequency_hz: float, rate_hz: float) -> Biquad:
    """A notch: nothing passes at its frequency.

    Args:
        alpha: From ``alpha_of_q`` or ``alpha_of_octaves``, for the same frequency and rate.
        frequency_hz: Middle, above 0 to below half of the sampling rate, Hz.
        rate_hz: Sampling rate, Hz.

    Raises:
        ValueError: a value lies outside its range.
    """
    turn = -2.0 * math.cos(_angle(frequency_hz, rate_hz))
    a0 = 1.0 + positive(alpha, "alpha")
    return Biquad(1.0 / a0, turn / a0, 1.0 / a0, turn / a0, (1.0 - alpha) / a0)


def q_of_octaves(octaves: float) -> float:
    """Q of a bandwidth in octaves, far below half of the sampling rate."""
    return 1.0 / (2.0 * math.sinh(math.log(2.0) / 2.0 * positive(octaves, "bandwidth, octaves")))


def octaves_of_q(q: float) -> float:
    """Bandwidth in octaves of a Q, far below half of the sampling rate."""
    return 2.0 * math.asinh(1.0 / (2.0 * positive(q, "Q"))) / math.log(2.0)


def _angle(frequency_hz: float, rate_hz: float) -> float:
    half = positive(rate_hz, "sampling rate, Hz") / 2.0
    if not 0.0 < frequency_hz < half:
        raise ValueError(
            f"frequency, Hz: found {frequency_hz:g}, expected above 0 to below {half:g}"
        )
    return math.pi * frequency_hz / half
