"""Two halves of 14 bits are told from two controls of 7 bits, in both orders. Pure."""

from __future__ import annotations

from itertools import chain, zip_longest

import pytest
from learning_hands import Said, controls, guessed, sweep

from bridge.learning.finding import Ask, Sure
from bridge.wire import midi_encode as say

PAIR = {"message": "control change 14", "midi_channel": 1, "number": 7}


def pair(values: list[int]) -> Said:
    return [say.control_change_14(1, 7, value) for value in values]


@pytest.mark.parametrize("most", [5, 40, 200, 900])
@pytest.mark.parametrize("gap_s", [0.0, 0.01])
def test_a_moved_pair_is_one_control_of_fourteen_bits(most: int, gap_s: float) -> None:
    top = 1000 if most == 5 else 16383
    found = guessed(pair(sweep(top, most=most)), gap_s=gap_s).findings[0]
    assert found.keys == PAIR and found.kind == "absolute" and found.sure >= Sure.UNSURE


def test_a_slowly_moved_pair_is_certain() -> None:
    assert guessed(pair(sweep(16383, most=80))).findings[0].sure is Sure.CERTAIN


@pytest.mark.parametrize("gap_s", [0.0, 0.01])
def test_a_pair_with_the_fine_half_first_is_told(gap_s: float) -> None:
    said = [one[::-1] for one in pair(sweep(16383, most=80))]
    found = guessed(said, gap_s=gap_s).findings[0]
    assert found.keys == {**PAIR, "lsb_first": True}


def test_the_order_is_found_although_the_lesson_begins_in_the_middle_of_a_value() -> None:
    flat = list(chain.from_iterable(pair(sweep(16383, most=40))))
    found = guessed([(one,) for one in flat[1:]], gap_s=0.0).findings[0]
    assert "lsb_first" not in found.keys


@pytest.mark.parametrize("most", [40, 60])
def test_a_sender_that_leaves_unchanged_coarse_halves_out_is_one_control(most: int) -> None:
    said: Said = []
    before = -1
    places = sweep(9000, most=most)
    for value in places[: places.index(9000)]:
        coarse, fine = say.control_change_14(1, 7, value)
        said.append((fine,) if value >> 7 == before else (coarse, fine))
        before = value >> 7
    found = guessed(said).findings[0]
    assert found.keys == PAIR and found.sure is Sure.CERTAIN


@pytest.mark.parametrize("fine", ["zero", "as the coarse half"])
def test_a_sender_of_seven_bits_in_two_halves_is_one_control(fine: str) -> None:
    places = sweep(127, most=3)
    found = guessed(pair([v << 7 | (v if fine != "zero" else 0) for v in places])).findings[0]
    assert found.keys == PAIR and found.sure is Sure.LIKELY and "same" in found.notes[0]


def test_two_controls_moved_one_after_the_other_are_two() -> None:
    found = guessed(controls(7, sweep(127, most=3)) + controls(39, sweep(90, most=3)))
    assert found.findings[0].keys["message"] == "control change"
    assert found.findings[0].keys["number"] in (7, 39)
    assert {one.keys["number"] for one in found.findings} == {7, 39}


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("most", [1, 3, 8])
def test_two_controls_moved_at_the_same_time_are_two(seed: int, most: int) -> None:
    one = controls(7, sweep(127, most=most, seed=seed))
    other = controls(39, sweep(100, most=most, low=10, seed=seed + 50))
    said = [(*a, *b) for a, b in zip_longest(one, other, fillvalue=())]
    found = guessed(said)
    assert found.findings[0].keys["message"] == "control change"
    assert any(one.keys["message"] == "control change 14" for one in found.findings)


def test_a_pair_that_hardly_moved_is_asked_to_go_farther() -> None:
    found = guessed(pair([8000, 8003, 8001]))
    assert found.ask is Ask.FARTHER and found.findings[0].sure is Sure.UNSURE


def test_the_data_entry_controllers_alone_are_a_pair_with_a_warning() -> None:
    said = [say.control_change_14(1, 6, value) for value in sweep(16383, most=80)]
    found = guessed(said).findings[0]
    assert found.keys["number"] == 6 and any("NRPN" in note for note in found.notes)
