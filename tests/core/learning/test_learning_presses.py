"""Buttons: press and release, a state of their own, or presses only. Pure."""

from __future__ import annotations

import pytest
from learning_hands import heard

from bridge.learning.finding import Ask, Finding, Sure
from bridge.learning.guess import Guess, guess
from bridge.learning.watch import Direction, Watch
from bridge.wire import midi_encode as say
from bridge.wire import osc

NOTE, CONTROL, FLAG = "note", "controller", "osc"


def word(kind: str, on: bool) -> bytes:
    if kind == NOTE:
        return say.note(1, 60, 100 if on else 0)[0]
    if kind == CONTROL:
        return say.control_change(1, 64, 127 if on else 0)[0]
    return osc.encode("/my/talk", "i", (int(on),))


def pressed(
    kind: str, times: list[tuple[float, bool]], watch: Watch | None = None,
    direction: Direction = Direction.FREE,
) -> Watch:  # fmt: skip
    watch = watch or Watch("osc" if kind == FLAG else "midi")
    if direction is not Direction.FREE:
        watch.begin(direction)
    for at_s, on in times:
        watch.hear(word(kind, on), at_s)
    return watch


def first(found: Guess) -> Finding:
    return found.findings[0]


TAPS = [(0.0, True), (0.1, False), (1.0, True), (1.12, False), (2.0, True), (2.1, False)]


@pytest.mark.parametrize("kind", [NOTE, CONTROL, FLAG])
def test_three_taps_with_their_releases_are_momentary_for_certain(kind: str) -> None:
    found = guess(pressed(kind, TAPS))
    assert (first(found).kind, first(found).sure, found.ask) == ("momentary", Sure.CERTAIN, None)


@pytest.mark.parametrize("kind", [NOTE, CONTROL, FLAG])
def test_a_word_a_press_in_turns_is_a_button_that_keeps_its_state(kind: str) -> None:
    found = guess(pressed(kind, [(0.0, True), (1.0, False), (2.0, True)]))
    assert first(found).kind == "latching" and found.ask is Ask.HOLD
    then = guess(pressed(kind, [(5.0, False)], pressed(kind, TAPS[:1]), Direction.HOLD))
    assert first(then).kind == "latching" and first(then).sure is Sure.CERTAIN


@pytest.mark.parametrize("kind", [NOTE, CONTROL, FLAG])
def test_presses_at_an_even_pace_are_asked_to_be_held(kind: str) -> None:
    even = [(0.5 * n, n % 2 == 0) for n in range(6)]
    found = guess(pressed(kind, even))
    assert found.ask is Ask.HOLD and first(found).sure is Sure.UNSURE
    held = pressed(kind, [(10.0, True), (12.0, False)], pressed(kind, even), Direction.HOLD)
    assert first(guess(held)).kind == "momentary" and first(guess(held)).sure is Sure.CERTAIN


@pytest.mark.parametrize("kind", [NOTE, CONTROL, FLAG])
def test_presses_without_any_release_are_presses_only(kind: str) -> None:
    watch = pressed(kind, [(0.0, True), (0.7, True), (1.5, True)])
    found = guess(watch)
    assert any(one.kind == "press" for one in found.findings)
    if kind == NOTE:
        assert first(found).kind == "press"


def test_a_controller_that_says_one_number_whichever_way_is_a_press() -> None:
    watch = pressed(CONTROL, [(0.0, True), (0.7, True), (1.5, True)])
    assert guess(watch).ask is Ask.UP  # 127 is also one click down
    then = guess(pressed(CONTROL, [(9.0, True), (9.7, True)], watch, Direction.UP))
    assert first(then).kind == "press" and first(then).sure is Sure.LIKELY


def test_a_key_with_velocity_on_a_controller_is_a_button() -> None:
    values = [90, 0, 71, 0, 113, 0]
    watch = heard([say.control_change(1, 70, value) for value in values], gap_s=0.3)
    assert first(guess(watch)).kind in ("momentary", "latching")


def test_an_on_and_off_in_one_go_is_a_press() -> None:
    watch = heard([(word(NOTE, True), word(NOTE, False))] * 3, gap_s=0.8)
    assert first(guess(watch)).kind == "press"
