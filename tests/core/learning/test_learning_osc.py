"""OSC: which argument is the value, its type, its range, and what it can be. Pure."""

from __future__ import annotations

import math

import pytest
from learning_hands import guessed, heard, sweep
from pythonosc.osc_message_builder import OscMessageBuilder

from bridge.learning.finding import Ask, Finding, Sure
from bridge.learning.guess import guess
from bridge.learning.watch import Direction
from bridge.wire import osc


def told(address: str, tags: str, rows: list[tuple[object, ...]]) -> list[tuple[bytes, ...]]:
    return [(osc.encode(address, tags, row),) for row in rows]


def travel(top: float, *, low: float = 0.0) -> list[tuple[float]]:
    return [(low + (top - low) * place / 127,) for place in sweep(127, most=3)]


def first(said: list[tuple[bytes, ...]], gap_s: float = 0.02) -> Finding:
    return guessed(said, "osc", gap_s).findings[0]


@pytest.mark.parametrize(
    ("low", "top", "span", "unit_db"),
    [
        (0.0, 1.0, (0.0, 1.0), 0.0),
        (-1.0, 1.0, (-1.0, 1.0), 0.0),
        (0.0, 100.0, (0.0, 100.0), 0.0),
        (0.0, 127.0, (0.0, 127.0), 0.0),
        (-90.0, 10.0, (-90.0, 10.0), 1.0),
        (-60.0, 0.0, (-60.0, 0.0), 1.0),
    ],
)
def test_a_float_that_moves_is_absolute_in_the_range_that_it_looks_like(
    low: float, top: float, span: tuple[float, float], unit_db: float
) -> None:
    found = first(told("/my/level", "f", travel(top, low=low)))
    assert (found.kind, found.span, found.unit_db) == ("absolute", span, unit_db)
    assert found.keys == {"address": "/my/level", "type": "f"}


def test_a_float_that_says_minus_infinity_is_in_db_for_certain() -> None:
    found = first(told("/my/level", "f", [(-math.inf,), (-50.0,), (-20.0,), (0.5,), (-30.0,)]))
    assert (found.sure, found.unit_db, found.off) == (Sure.CERTAIN, 1.0, -math.inf)


@pytest.mark.parametrize("top", [100, 127, 255, 1023, 16383])
def test_a_whole_number_that_reaches_a_usual_top_has_that_range(top: int) -> None:
    rows = [(place,) for place in sweep(top, most=max(1, top // 40))]
    found = first(told("/my/level", "i", rows))
    assert (found.span, found.sure) == ((0.0, float(top)), Sure.CERTAIN)
    assert found.keys["type"] == "i"


def test_a_whole_number_that_stops_short_of_a_usual_top_is_asked_to_go_farther() -> None:
    found = guessed(told("/my/level", "i", [(place,) for place in sweep(91, most=3)]), "osc")
    assert found.ask is Ask.FARTHER and found.findings[0].sure is Sure.UNSURE
    assert {one.span for one in found.findings} >= {(0.0, 100.0), (0.0, 127.0)}


def test_levels_in_tenths_of_a_db_are_counted_so() -> None:
    found = first(told("/my/level", "i", [(place - 600,) for place in sweep(700, most=20)]))
    assert found.unit_db == 0.1


def test_a_pan_from_minus_sixty_four_to_sixty_three_keeps_its_ends() -> None:
    found = guessed(told("/my/pan", "i", [(place - 64,) for place in sweep(127, most=3)]), "osc")
    assert found.findings[0].span == (-64.0, 63.0)


def test_pythonosc_and_our_own_encoder_say_the_same_and_mean_the_same() -> None:
    said = []
    for (value,) in travel(1.0):
        builder = OscMessageBuilder("/my/1/level")
        builder.add_arg(value, "f")
        said.append((builder.build().dgram,))
    assert said == told("/my/1/level", "f", list(travel(1.0)))
    assert first(said).span == (0.0, 1.0)


@pytest.mark.parametrize(
    ("tags", "rows", "kind", "states"),
    [
        ("i", [(1,), (0,)] * 3, "i", (0, 1)),
        ("f", [(1.0,), (0.0,)] * 3, "f", (0.0, 1.0)),
        ("i", [(5,), (2,)] * 3, "i", (2, 5)),
        ("s", [("on",), ("off",)] * 3, "s", ("off", "on")),
    ],
)
def test_two_words_in_turns_are_a_button(
    tags: str, rows: list[tuple[object, ...]], kind: str, states: tuple[object, object]
) -> None:
    found = first(told("/my/talk", tags, rows), gap_s=0.5)
    assert found.kind in ("momentary", "latching")
    assert found.keys["type"] == kind and found.states == states


def test_true_and_false_are_a_button_of_type_t() -> None:
    said = [(osc.encode("/a", tag, (tag == "T",)),) for tag in "TFTFTF"]
    assert first(said, 0.5).keys["type"] == "T"


def test_words_of_which_none_says_on_are_a_guess_with_a_note() -> None:
    found = first(told("/my/talk", "s", [("red",), ("blue",)] * 3), gap_s=0.5)
    assert found.states == ("blue", "red") and "red" in found.notes[0]


def test_a_message_without_a_value_is_a_press() -> None:
    found = first([(osc.encode("/my/next"),)] * 3)
    assert (found.kind, found.sure) == ("press", Sure.CERTAIN)
    assert found.keys == {"address": "/my/next", "type": "none"}


def test_one_number_over_and_over_asks_up_and_is_a_press_when_it_stays() -> None:
    watch = heard(told("/my/next", "i", [(1,)] * 3), "osc")
    assert guess(watch).ask is Ask.UP
    heard(told("/my/next", "i", [(1,)] * 3), watch=watch, direction=Direction.UP)
    found = guess(heard(told("/my/next", "i", [(1,)] * 3), watch=watch, direction=Direction.DOWN))
    assert found.findings[0].kind == "press" and found.findings[0].keys["before"] == [1]


def test_small_numbers_both_ways_are_clicks() -> None:
    found = first(told("/my/wheel", "i", [(1,)] * 6 + [(-1,)] * 6 + [(-2,)]))
    assert (found.kind, found.sure, found.keys["action"]) == ("relative", Sure.CERTAIN, "relative")


def test_arguments_that_stay_the_same_become_constants() -> None:
    rows = [("wedge", 3, value, True) for (value,) in travel(1.0)]
    found = first(told("/my/set", "siff", [(*row[:3], 2.5) for row in rows]))
    assert found.keys == {"address": "/my/set", "type": "f", "before": ["wedge", 3],
                          "after": [2.5]}  # fmt: skip


@pytest.mark.parametrize(
    ("said", "part"),
    [
        (told("/xy", "ff", [(0.1 * n, 1 - 0.1 * n) for n in range(9)]), "2 arguments move"),
        (told("/a", "s", [("x",), ("y",), ("z",)]), "3 different words"),
        (told("/a", "i", [(1,)]) + told("/a", "ii", [(1, 2)]), "sometimes more"),
        (told("/a/*", "f", travel(1.0)), "pattern"),
        ([(b"/a\0\0,f\0\0",)], "cut short"),
        ([(b"rubbish!",)], "neither"),
    ],
)
def test_what_no_entry_can_say_is_said_by_name(said: list[tuple[bytes, ...]], part: str) -> None:
    found = guessed(said, "osc")
    assert found.findings == ()
    assert any(part.lower() in note.lower() for note in found.notes), found.notes


def test_numbers_that_are_none_are_left_out() -> None:
    said = told("/a", "f", travel(1.0))
    nan = said[0][0][:-4] + b"\x7f\xc0\x00\x00"
    found = guessed([*said, (nan,)], "osc")
    assert found.findings[0].span == (0.0, 1.0) and found.notes


def test_messages_in_bundles_are_heard() -> None:
    said = [(osc.bundle(osc.IMMEDIATELY, [one]),) for (one,) in told("/my/level", "f", travel(1.0))]
    assert first(said).keys["address"] == "/my/level"


def test_how_far_a_float_went_is_known() -> None:
    found = first(told("/my/level", "f", travel(0.97, low=0.02)))
    assert found.went == pytest.approx((0.02, 0.97)) and found.ends == (0.0, 1.0)
