"""Biquads of the Audio EQ Cookbook, with SciPy as the witness of their response."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import freqz, iirnotch

from bridge.stage.filters import (
    NOTCH_PRACTICE,
    Biquad,
    alpha_of_octaves,
    alpha_of_q,
    notch,
    octaves_of_q,
    peaking,
    q_of_octaves,
)

RATE = 48000.0

PEAKS = [  # frequency, gain, alpha, b, a1 a2, gain at twice the frequency; computed
    (
        *(1000, 6, alpha_of_q(math.sqrt(2), 1000, RATE), 0.0461479778),
        *([1.031486803, -1.920157661, 0.905239823], [-1.920157661, 0.936726625], 1.1224),
    ),
    (
        *(250, -6, alpha_of_q(q_of_octaves(1 / 3), 250, RATE), 0.0037882699),
        *([0.997345023, -1.988289691, 0.992009793], [-1.988289691, 0.989354816], -0.1501),
    ),
    (
        *(3150, -9, alpha_of_octaves(1 / 3, 3150, RATE), 0.0477469444),
        *([0.952121147, -1.696396562, 0.899460233], [-1.696396562, 0.851581380], -0.2256),
    ),
    (
        *(8000, -12, alpha_of_q(2, 8000, RATE), 0.2165063509),
        *([0.774106363, -0.698330380, 0.622554397], [-0.698330380, 0.396660760], -0.5307),
    ),
]

NOTCHES = [  # frequency, alpha, b, a1 a2, gain at twice the frequency; computed
    (
        *(1000, alpha_of_q(30, 1000, RATE), 0.0021754365),
        *([0.997829286, -1.978585436, 0.997829286], [-1.978585436, 0.995658571], -0.00211),
    ),
    (
        *(2500, alpha_of_octaves(0.1, 2500, RATE), 0.0113439476),
        *([0.988783294, -1.872617385, 0.988783294], [-1.872617385, 0.977566588], -0.00877),
    ),
    (
        *(4000, alpha_of_q(8.651, 4000, RATE), 0.0288983932),
        *([0.971913268, -1.683403161, 0.971913268], [-1.683403161, 0.943826536], -0.02026),
    ),
]


def scipy_db(biquad: Biquad, frequency: float) -> float:
    b, a = [biquad.b0, biquad.b1, biquad.b2], [1.0, biquad.a1, biquad.a2]
    _, gain = freqz(b, a, worN=[frequency], fs=RATE)
    return 20 * math.log10(max(abs(gain[0]), 1e-300))


@pytest.mark.parametrize(("f0", "gain", "alpha", "known", "b", "a", "at_twice"), PEAKS)
def test_a_peak_has_the_coefficients_and_the_response_of_the_cookbook(
    f0: float, gain: float, alpha: float, known: float, b: list, a: list, at_twice: float
) -> None:
    found = peaking(alpha, gain, f0, RATE)
    assert alpha == pytest.approx(known, abs=1e-9)
    assert [found.b0, found.b1, found.b2] == pytest.approx(b, abs=1e-9)
    assert [found.a1, found.a2] == pytest.approx(a, abs=1e-9)
    assert found.response_db(f0, RATE) == pytest.approx(gain, abs=1e-3)
    assert found.response_db(2 * f0, RATE) == pytest.approx(at_twice, abs=1e-3)


@pytest.mark.parametrize(("f0", "alpha", "known", "b", "a", "at_twice"), NOTCHES)
def test_a_notch_has_the_coefficients_and_the_response_of_the_cookbook(
    f0: float, alpha: float, known: float, b: list, a: list, at_twice: float
) -> None:
    found = notch(alpha, f0, RATE)
    assert alpha == pytest.approx(known, abs=1e-9)
    assert [found.b0, found.b1, found.b2] == pytest.approx(b, abs=1e-9)
    assert [found.a1, found.a2] == pytest.approx(a, abs=1e-9)
    assert found.response_db(f0, RATE) < -150.0
    assert found.response_db(2 * f0, RATE) == pytest.approx(at_twice, abs=1e-5)


@pytest.mark.parametrize("frequency", [20.0, 440.0, 999.0, 5000.0, 23000.0])
def test_responses_agree_with_scipy(frequency: float) -> None:
    filters = [peaking(p[2], p[1], p[0], RATE) for p in PEAKS]
    filters += [notch(n[1], n[0], RATE) for n in NOTCHES]
    for biquad in filters:
        found = biquad.response_db(frequency, RATE)
        assert found == pytest.approx(scipy_db(biquad, frequency), abs=1e-9)


def test_a_peak_and_the_same_dip_cancel() -> None:
    # A property that the cookbook states.
    up = peaking(alpha_of_q(2, 1000, RATE), 9, 1000, RATE)
    down = peaking(alpha_of_q(2, 1000, RATE), -9, 1000, RATE)
    above = np.convolve([up.b0, up.b1, up.b2], [down.b0, down.b1, down.b2])
    below = np.convolve([1, up.a1, up.a2], [1, down.a1, down.a2])
    assert above == pytest.approx(below, abs=1e-12)


def test_the_bandwidth_of_a_peak_lies_between_its_half_gain_points() -> None:
    found = peaking(alpha_of_octaves(1 / 3, 3150, RATE), -9, 3150, RATE)
    edges = [3150 * 2 ** (side * 1 / 3 / 2) for side in (-1, 1)]
    levels = [found.response_db(edge, RATE) for edge in edges]
    assert levels == pytest.approx([-4.513, -4.485], abs=5e-4)  # -4.5 exactly far below the rate


def test_the_bandwidth_of_a_notch_lies_between_its_3_dB_points() -> None:
    found = notch(alpha_of_octaves(0.1, 2500, RATE), 2500, RATE)
    for side in (-1, 1):
        edge = 2500 * 2 ** (side * 0.05)
        assert found.response_db(edge, RATE) == pytest.approx(-3.01, abs=0.02)


@pytest.mark.parametrize(("octaves", "q"), [(1, 1.414), (1 / 3, 4.318), (1 / 6, 8.651), (2, 0.667)])
def test_q_of_a_bandwidth(octaves: float, q: float) -> None:
    # The conversion table on jdm12.ch, and the cookbook.
    assert q_of_octaves(octaves) == pytest.approx(q, abs=1e-3)
    assert q_of_octaves(octaves) == pytest.approx(2 ** (octaves / 2) / (2**octaves - 1))
    assert octaves_of_q(q_of_octaves(octaves)) == pytest.approx(octaves)


@pytest.mark.parametrize(
    ("q", "octaves"), [(1, 1.38848), (2, 0.71404), (10, 0.14421), (30, 0.04809)]
)
def test_bandwidth_of_a_q(q: float, octaves: float) -> None:
    assert octaves_of_q(q) == pytest.approx(octaves, abs=5e-6)


@pytest.mark.parametrize(("octaves", "q"), [(1 / 10, 14.424), (1 / 60, 86.561)])
def test_q_of_the_notches_that_are_used_against_howling(octaves: float, q: float) -> None:
    # Widths: van Waterschoot and Moonen, Proc. IEEE 99 (2011) 288, section V-B2; values derived.
    assert q_of_octaves(octaves) == pytest.approx(q, abs=5e-4)


def test_a_q_of_1_at_1_kHz_reaches_from_618_to_1618_Hz() -> None:
    # Moulton, in a magazine article, prints about 600 and 1600; values derived.
    half = octaves_of_q(1.0) / 2
    edges = [1000 * 2**-half, 1000 * 2**half]
    assert edges == pytest.approx([618.03, 1618.03], abs=0.005)
    # At a rate so high that nothing is bent, a notch is 3 dB down there.
    rate = 4_800_000.0
    found = notch(alpha_of_q(1.0, 1000, rate), 1000, rate)
    levels = [found.response_db(edge, rate) for edge in edges]
    assert levels == pytest.approx([-3.0103] * 2, abs=1e-3)


def test_the_notch_is_the_cookbooks_and_not_scipys_near_relative() -> None:
    # SciPy takes tan(w0 / 2Q) where the cookbook takes sin(w0) / 2Q: 0.995646169 is its a2.
    ours = notch(alpha_of_q(30, 1000, RATE), 1000, RATE)
    _, theirs = iirnotch(1000, 30, fs=RATE)
    assert theirs[2] == pytest.approx(0.995646169, abs=1e-9)
    assert ours.a2 - theirs[2] == pytest.approx(0.995658571 - 0.995646169, abs=2e-9)


@pytest.mark.parametrize(
    ("name", "gains", "width", "most"),
    [
        ("gentle", (-3, -6, -9), 1 / 10, 12),
        ("firm", (-6, -12, -18), 1 / 10, 12),
        ("fine", (-3, -6, -9), 1 / 60, 48),
    ],
)
def test_a_notch_deepens_each_time_its_howl_returns(
    name: str, gains: tuple[float, ...], width: float, most: int
) -> None:
    # The same paper: gains of section V-B2; widths and how many notches in section VII.
    practice = NOTCH_PRACTICE[name]
    assert tuple(practice.gain_db(times) for times in (1, 2, 3)) == pytest.approx(gains)
    assert (practice.octaves, practice.most) == (width, most)


def test_all_notches_of_a_practice_together_cover_little_more_than_an_octave() -> None:
    # Derived: 12 / 10 and 48 / 60 octaves; more would be an equaliser.
    for practice in NOTCH_PRACTICE.values():
        assert practice.most * practice.octaves <= 1.2 + 1e-9


@pytest.mark.parametrize("times", [0, -1])
def test_a_howl_that_never_came_needs_no_notch(times: int) -> None:
    with pytest.raises(ValueError, match="times: found"):
        NOTCH_PRACTICE["gentle"].gain_db(times)


@pytest.mark.parametrize("frequency", [0.0, 24000.0, 30000.0, math.nan])
def test_a_middle_outside_of_the_band_is_refused(frequency: float) -> None:
    for call in (alpha_of_q, alpha_of_octaves):
        with pytest.raises(ValueError, match="expected above 0 to below 24000"):
            call(1.0, frequency, RATE)
    with pytest.raises(ValueError, match="frequency, Hz"):
        peaking(0.1, 3.0, frequency, RATE)
    with pytest.raises(ValueError, match="frequency, Hz"):
        notch(0.1, frequency, RATE)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_widths_that_are_none_are_refused(bad: float) -> None:
    for call, what in ((alpha_of_q, "Q"), (alpha_of_octaves, "bandwidth, octaves")):
        with pytest.raises(ValueError, match=what):
            call(bad, 1000.0, RATE)
    for call in (q_of_octaves, octaves_of_q):
        with pytest.raises(ValueError):
            call(bad)
    with pytest.raises(ValueError, match="alpha"):
        notch(bad, 1000.0, RATE)


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_a_gain_that_is_none_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="gain, dB"):
        peaking(0.1, bad, 1000.0, RATE)
