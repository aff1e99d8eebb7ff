"""Where a console stands while the halves of a 14-bit value arrive: never above old and new.

The receivers and their sources are in ``tests/support/receivers.py``.
"""

from __future__ import annotations

import random

import pytest
from support.receivers import (
    AsTheStandardSays,
    KeepsAnyLsb,
    KeepsTheLsb,
    Receiver,
    WaitsForTheLsb,
    WaitsForTheMsb,
)

from bridge.wire import midi_encode as encode

ALL = (AsTheStandardSays, WaitsForTheLsb, KeepsTheLsb, KeepsAnyLsb, WaitsForTheMsb)
OWN_HALVES = (AsTheStandardSays, WaitsForTheLsb, KeepsTheLsb, WaitsForTheMsb)
WITHIN_MIDI_1 = (AsTheStandardSays, WaitsForTheLsb)

EDGES = (0, 1, 127, 128, 129, 255, 256, 1407, 1408, 8191, 8192, 16255, 16256, 16382, 16383)
_draw = random.Random(14)
STEPS = [(old, new) for old in EDGES for new in EDGES] + [
    (_draw.randrange(16384), _draw.randrange(16384)) for _ in range(2000)
]


def said(kind: str, value: int, *, careful: bool) -> tuple[bytes, ...]:
    if kind == "pair":
        return encode.control_change_14(1, 7, value, careful=careful)
    return encode.nrpn(1, 300, value, careful=careful)


def stands(
    receiver: Receiver, kind: str, old: int, new: int, *, careful: bool, lsb_first: bool = False
) -> list[int]:
    """Where the value stands after each message that the receiver acts on, told old, then new.

    In between another parameter is told its highest value.
    """
    words = []
    for value in (old, new):
        if kind == "nrpn":
            words.append(encode.nrpn(1, 301, 16383))
        words.append(said(kind, value, careful=careful))
    if lsb_first:
        words = [(*each[:-2], each[-1], each[-2]) for each in words]
    for word in words[:-1]:
        receiver.hear(word)
    return [value for _, value in receiver.hear(words[-1])]


@pytest.mark.parametrize("kind", ["pair", "nrpn"])
@pytest.mark.parametrize("mind", OWN_HALVES)
def test_a_careful_value_is_never_above_old_and_new_in_between(
    mind: type[Receiver], kind: str
) -> None:
    for old, new in STEPS:
        on_the_way = stands(mind(), kind, old, new, careful=True)
        assert max(on_the_way, default=0) <= max(old, new), (old, new)


@pytest.mark.parametrize("mind", ALL)
def test_a_careful_value_is_below_the_new_one_even_with_another_parameters_lsb(
    mind: type[Receiver],
) -> None:
    for old, new in STEPS:
        if new > 127:
            assert max(stands(mind(), "nrpn", old, new, careful=True)) <= new, (old, new)


@pytest.mark.parametrize("old", [0, 1, 127])
@pytest.mark.parametrize("new", [0, 1, 126])
def test_in_the_lowest_step_a_shared_lsb_does_not_leave_the_step(old: int, new: int) -> None:
    assert max(stands(KeepsAnyLsb(), "nrpn", old, new, careful=True)) <= 127


@pytest.mark.parametrize("kind", ["pair", "nrpn"])
@pytest.mark.parametrize("mind", [each for each in ALL if each is not WaitsForTheMsb])
def test_a_careful_value_arrives(mind: type[Receiver], kind: str) -> None:
    for old, new in STEPS:
        assert stands(mind(), kind, old, new, careful=True)[-1] == new


def test_a_careful_value_arrives_where_the_msb_ends_it_too() -> None:
    for old, new in STEPS:
        if new > 127:
            assert stands(WaitsForTheMsb(), "nrpn", old, new, careful=True)[-1] == new


@pytest.mark.parametrize("kind", ["pair", "nrpn"])
@pytest.mark.parametrize("mind", WITHIN_MIDI_1)
def test_four_messages_are_enough_for_a_console_that_zeroes_or_waits(
    mind: type[Receiver], kind: str
) -> None:
    for old, new in STEPS:
        on_the_way = stands(mind(), kind, old, new, careful=False)
        assert on_the_way[-1] == new
        assert max(on_the_way) <= new


@pytest.mark.parametrize("kind", ["pair", "nrpn"])
def test_the_lsb_first_is_one_step_for_a_console_that_waits_for_the_msb(kind: str) -> None:
    for old, new in STEPS:
        assert stands(WaitsForTheMsb(), kind, old, new, careful=False, lsb_first=True) == [new]


# The reason for being careful: 10.127 and 11.0 are neighbours, and 11.127 is what is heard.
@pytest.mark.parametrize(("mind", "kind"), [(KeepsTheLsb, "pair"), (KeepsTheLsb, "nrpn"),
                                            (KeepsAnyLsb, "nrpn")])  # fmt: skip
def test_four_messages_alone_overshoot_where_the_old_lsb_is_kept(
    mind: type[Receiver], kind: str
) -> None:
    on_the_way = stands(mind(), kind, 10 * 128 + 127, 11 * 128, careful=False)
    assert max(on_the_way) == 11 * 128 + 127
    if kind == "pair":
        careful = stands(mind(), kind, 10 * 128 + 127, 11 * 128, careful=True)
        assert careful == [10 * 128 + 127, 10 * 128, 11 * 128, 11 * 128]


@pytest.mark.parametrize("value", [0, 127, 128, 12345, 16383])
def test_careful_costs_two_messages_and_none_in_the_lowest_step(value: int) -> None:
    more = 2 if value > 127 else 0
    for kind, plain in (("pair", 2), ("nrpn", 4)):
        assert len(said(kind, value, careful=True)) == plain + more
        assert said(kind, value, careful=True)[-2:] == said(kind, value, careful=False)[-2:]
    assert len(encode.rpn(1, 0, value, careful=True, deselect=True)) == 6 + more
