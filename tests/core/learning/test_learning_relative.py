"""The three usual codings of endless knobs are told apart, or another movement is asked for. Pure.

Check values: 01, 7F are one click up and down in two's complement, 41, 3F in binary offset, 01, 41
in sign magnitude (documentation of tttapa's Control-Surface library, "relative encoders").
"""

from __future__ import annotations

import pytest
from learning_hands import clicks, controls, guessed, heard, sweep

from bridge.learning.finding import Ask, Sure
from bridge.learning.guess import guess
from bridge.learning.watch import Direction

CODINGS = ("two's complement", "binary offset", "sign magnitude")
BYTES = {
    "two's complement": (0x01, 0x7F),
    "binary offset": (0x41, 0x3F),
    "sign magnitude": (0x01, 0x41),
}


@pytest.mark.parametrize("coding", CODINGS)
def test_clicks_both_ways_name_the_coding_for_certain(coding: str) -> None:
    up, down = BYTES[coding]
    found = guessed(controls(16, [up] * 8 + [down] * 8))
    first = found.findings[0]
    assert (first.kind, first.sure, found.ask) == ("relative", Sure.CERTAIN, None)
    assert first.keys["relative"] == coding and not first.backwards


@pytest.mark.parametrize("coding", CODINGS)
def test_a_knob_that_speeds_up_is_still_relative(coding: str) -> None:
    up = [1, 1, 2, 4, 7, 12, 18, 12, 5, 2, 1]
    watch = heard(clicks(coding, [*up, *(-one for one in up)]))
    found = guess(watch)
    assert found.findings[0].keys["relative"] == coding
    assert found.findings[0].sure is Sure.CERTAIN or found.ask is Ask.UP
    then = guess(heard(clicks(coding, up), watch=watch, direction=Direction.UP))
    assert then.findings[0].keys["relative"] == coding
    assert then.findings[0].sure is Sure.CERTAIN


@pytest.mark.parametrize(
    ("byte", "asked", "up", "coding"),
    [
        (0x41, Ask.UP, 0x41, "binary offset"),
        (0x41, Ask.UP, 0x01, "sign magnitude"),
        (0x01, Ask.UP, 0x01, None),
        (0x7F, Ask.UP, 0x01, "two's complement"),
        (0x3F, Ask.UP, 0x41, "binary offset"),
    ],
)
def test_clicks_one_way_only_ask_for_a_slow_movement_up(
    byte: int, asked: Ask, up: int, coding: str | None
) -> None:
    watch = heard(controls(16, [byte] * 10))
    first = guess(watch)
    assert first.ask is asked and first.findings[0].sure is Sure.UNSURE
    then = guess(heard(controls(16, [up] * 10), watch=watch, direction=Direction.UP))
    if coding is None:
        assert then.ask is Ask.DOWN
        return
    assert then.findings[0].keys["relative"] == coding
    assert then.findings[0].sure >= Sure.LIKELY and not then.findings[0].backwards


@pytest.mark.parametrize(("down", "coding"), [(0x7F, CODINGS[0]), (0x41, CODINGS[2])])
def test_where_up_fits_two_codings_down_settles_it(down: int, coding: str) -> None:
    watch = heard(controls(16, [1] * 10))
    heard(controls(16, [1] * 10), watch=watch, direction=Direction.UP)
    then = guess(heard(controls(16, [down] * 10), watch=watch, direction=Direction.DOWN))
    assert then.findings[0].keys["relative"] == coding
    assert then.findings[0].sure is Sure.CERTAIN and then.ask is None


def test_a_knob_wired_the_other_way_round_counts_backwards() -> None:
    watch = heard(controls(16, [0x41] * 6))
    then = guess(heard(controls(16, [0x3F] * 10), watch=watch, direction=Direction.UP))
    assert then.findings[0].keys["relative"] == "binary offset" and then.findings[0].backwards


def test_a_fader_moved_a_little_beside_the_middle_is_no_knob_once_it_goes_farther() -> None:
    watch = heard(controls(7, [66, 67, 68, 69, 70, 69, 68, 67, 66]))
    assert guess(watch).findings[0].sure is Sure.UNSURE
    then = guess(heard(controls(7, range(66, 128)), watch=watch, direction=Direction.UP))
    assert then.findings[0].kind == "absolute"


def test_the_number_for_standing_still_proves_a_place() -> None:
    # a knob in binary offset never says 64, and a fader cannot get from 66 to 62 without it
    found = guessed(controls(7, [66, 65, 64, 63, 62, 63, 64, 65, 66])).findings[0]
    assert found.kind == "absolute"


def test_a_fader_that_goes_on_repeating_its_place_is_absolute() -> None:
    found = guessed(controls(7, [place for place in sweep(127, most=2) for _ in range(3)]))
    assert (found.findings[0].kind, found.findings[0].sure) == ("absolute", Sure.CERTAIN)
