"""What is suggested for the equaliser, and how marks and suggestions are listed."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sound_stage import BY_HAND, mark, stage_rig

from bridge.soundcheck.listing import lines, listed
from bridge.soundcheck.marks import Book, Mark, parse_marks, with_mark, withdrawn
from bridge.soundcheck.plan import pairs_of
from bridge.soundcheck.suggestions import CAUTION, CUTS_MAX, suggestions


def test_a_single_ring_becomes_a_gentle_narrow_notch_and_a_band() -> None:
    ((one,),) = (s.cuts for s in suggestions([mark(frequency_hz=2480.0)]))
    # First notch -3 dB, a tenth of an octave wide: van Waterschoot and Moonen, Proc. IEEE 99
    # (2011) 288, section V-B2 and VII. Q = 1 / (2 sinh(ln 2 / 20)) = 14.424.
    assert (one.depth_db, one.step_db, one.octaves) == (-3.0, -3.0, pytest.approx(0.1))
    assert one.q == pytest.approx(14.424, abs=0.001)
    assert (one.band, one.frequency_hz) == ("2500", pytest.approx(2480.0))
    assert (one.channels, one.level_db) == (("voice",), -8.5)


def test_rings_within_a_third_of_an_octave_share_a_cut_that_covers_them() -> None:
    near = [mark(-4.0, frequency_hz=1000.0), mark(-9.0, channel="accordion", frequency_hz=1250.0)]
    ((one,),) = (s.cuts for s in suggestions(near))
    assert one.channels == ("accordion", "voice"), "the lowest ring first"
    assert one.level_db == -9.0 and one.frequency_hz == pytest.approx(math.sqrt(1000.0 * 1250.0))
    edge = 2.0 ** (one.octaves / 2)
    assert one.frequency_hz / edge < 1000.0 < 1250.0 < one.frequency_hz * edge
    apart = [*near[:1], mark(-9.0, channel="accordion", frequency_hz=1270.0)]
    assert [len(s.cuts) for s in suggestions(apart)] == [2]


def test_a_row_of_rings_is_not_merged_into_one_wide_cut() -> None:
    row = [mark(-4.0, frequency_hz=1000.0 * 2 ** (i / 4)) for i in range(6)]
    (one,) = suggestions(row)
    assert len(one.cuts) == 3 and all(cut.octaves < 0.44 for cut in one.cuts)


def test_mixes_do_not_share_cuts() -> None:
    found = suggestions([mark(frequency_hz=500.0), mark(bus="front", frequency_hz=500.0)])
    assert [(one.bus, len(one.cuts)) for one in found] == [("kit", 1), ("front", 1)]


def test_there_are_few_cuts_for_the_lowest_rings_and_the_others_are_counted() -> None:
    many = [mark(-float(i), frequency_hz=100.0 * 2**i) for i in range(7)]
    (one,) = suggestions(many)
    assert [cut.level_db for cut in one.cuts] == [-6.0, -5.0, -4.0, -3.0]
    assert len(one.cuts) == CUTS_MAX and one.left_out == 3


def test_a_mark_without_a_frequency_is_counted_and_not_guessed() -> None:
    (one,) = suggestions([mark()])
    assert (one.cuts, one.unnamed) == ((), 1)


@given(st.lists(st.floats(20.0, 20000.0), min_size=1, max_size=20))
def test_every_ring_lies_in_exactly_one_cut_whatever_they_are(frequencies: list[float]) -> None:
    (one,) = suggestions([mark(-1.0, frequency_hz=hz) for hz in frequencies])
    assert one.left_out == 0 or len(one.cuts) == CUTS_MAX
    for cut in one.cuts:
        assert 20.0 <= cut.frequency_hz <= 20000.0 and 0.09 < cut.octaves < 0.44
    if not one.left_out:
        for hz in frequencies:
            covers = [c for c in one.cuts if abs(math.log2(hz / c.frequency_hz)) <= c.octaves / 2]
            assert covers


def kept() -> Book:
    book = parse_marks(BY_HAND, "m.toml")
    for one in (mark(-3.0, channel="accordion"), mark(-2.0, channel="accordion", bus="front")):
        book = with_mark(book, one)
    return withdrawn(book, ("accordion", "front"))


def test_the_list_tells_people_what_is_in_force_what_is_left_and_what_to_try() -> None:
    rig = stage_rig()
    text = list(lines(kept(), rig, pairs_of(rig)))
    assert text == [
        "Marks in m.toml: 2 in force.",
        "  voice/kit rang at -8.5 dB at 2500 Hz (Ruth, 2025-03-01 00:00)",
        "  accordion/kit rang at -3.0 dB (Ruth, 2025-03-01 12:00)",
        "  accordion/front rang at -2.0 dB (Ruth, 2025-03-01 12:00, withdrawn)",
        "  voice/front stayed clear up to 3.0 dB",
        "Not tested: accordion/front.",
        "To try at the equaliser of kit: 2500 Hz, -3 dB, 0.10 octaves wide (Q 14.4); on a "
        "third-octave equaliser 2500 Hz; rang: voice, lowest at -8.5 dB.",
        "  1 of kit without a frequency: no cut can be named for them.",
        CAUTION,
    ]


def test_the_caution_says_that_cuts_cost_tone_and_that_moving_asks_for_a_new_soundcheck() -> None:
    assert "costs tone" in CAUTION and "needs a new soundcheck" in CAUTION


def test_the_list_for_machines_is_json_with_the_same_facts() -> None:
    rig = stage_rig()
    data = json.loads(json.dumps(listed(kept(), rig, pairs_of(rig)), allow_nan=False))
    assert [one["in_force"] for one in data["marks"]] == [True, True, False]
    assert [one["withdrawn"] for one in data["marks"]] == [False, False, True]
    assert data["untested"] == [{"channel": "accordion", "bus": "front"}]
    assert data["suggestions"][0]["cuts"][0]["band"] == "2500"
    assert data["clear"][0]["clear_to_db"] == 3.0 and data["caution"] == CAUTION


def test_a_mark_replaced_by_a_newer_one_says_so() -> None:
    book = with_mark(with_mark(Book("m.toml"), mark(-9.0)), mark(-3.0))
    first = list(lines(book, stage_rig(), ()))[1]
    assert first.endswith("replaced by a newer one)")
    assert isinstance(book.marks[0], Mark)
