"""What a typed line means."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.soundcheck.commands import Show, parse_line
from bridge.soundcheck.states import Word
from bridge.soundcheck.texts import HELP


@pytest.mark.parametrize(
    ("text", "word", "hz"),
    [
        ("", Word.RING, None),
        ("  \r", Word.RING, None),
        ("ring", Word.RING, None),
        ("Ring 2500", Word.RING, 2500.0),
        ("ring 2.5k", Word.RING, 2500.0),
        ("ring 2,5 kHz", Word.RING, 2500.0),
        ("ring 31.5 Hz", Word.RING, 31.5),
        ("tone 160", Word.TONE, 160.0),
        ("SILENCE", Word.SILENCE, None),
        ("silence now!", Word.SILENCE, None),
        ("skip", Word.NEXT, None),
        ("next", Word.NEXT, None),
        ("quit", Word.LEAVE, None),
        ("restore", Word.RESTORE, None),
    ],
)
def test_a_word_and_its_frequency_are_understood(text: str, word: Word, hz: float | None) -> None:
    assert parse_line(text) == (word, hz, parse_line(text).names, "")


@pytest.mark.parametrize("said", ["19.9", "20001", "abc", "nan", "-500", "2500 dB", "1e3", "٢٥٠"])
def test_a_ring_with_a_frequency_that_cannot_be_is_a_ring_all_the_same(said: str) -> None:
    line = parse_line(f"ring {said}")
    assert line.word is Word.RING and line.hz is None
    assert "expected 20 to 20000 Hz, as 2500 or 2.5k" in line.fault


@pytest.mark.parametrize("text", ["withdraw", "withdraw voice", "withdraw voice kit more"])
def test_a_withdrawal_wants_two_names(text: str) -> None:
    assert parse_line(text).fault == "withdraw wants two names: `withdraw CHANNEL MIX`"


def test_a_withdrawal_names_a_pair() -> None:
    assert parse_line("withdraw voice kit")[:3] == (Show.WITHDRAW, None, ("voice", "kit"))


def test_every_word_stands_in_the_help() -> None:
    text = "\n".join(HELP)
    for word in [*Word, *Show]:
        if word not in (Word.OTHER, Show.UNKNOWN):
            assert word.value in text


@given(st.text())
def test_no_line_is_too_odd(text: str) -> None:
    line = parse_line(text)
    assert isinstance(line.word, Word | Show) and "\x1b" not in line.fault
