"""Backoff, counters and states that all links share."""

from __future__ import annotations

import logging

import pytest

from bridge.links.base import BACKOFF_LAST_S, TROUBLES_MAX, Backoff, Link


class StillLink(Link):
    """A link that goes nowhere."""

    async def open(self) -> None:
        self._become("opening")

    async def close(self) -> None:
        self._become("closed")

    def send(self, data: bytes) -> bool:
        return self._drop("nowhere", "it goes nowhere")


def test_waits_double_up_to_the_longest() -> None:
    backoff = Backoff()
    assert [backoff.wait_s() for _ in range(7)] == [0.2, 0.4, 0.8, 1.6, 3.2, 5.0, 5.0]


def test_only_a_success_that_outlives_the_longest_wait_starts_the_waits_over() -> None:
    backoff = Backoff()
    backoff.wait_s()
    backoff.lasted(BACKOFF_LAST_S)
    assert backoff.wait_s() == 0.4
    backoff.lasted(BACKOFF_LAST_S + 0.1)
    assert backoff.wait_s() == 0.2


def test_a_cause_is_logged_once_and_counted_always(caplog: pytest.LogCaptureFixture) -> None:
    link = StillLink("desk", lambda batch: None)
    for _ in range(50):
        assert not link.send(b"x")
    assert (link.dropped, link.troubles) == (50, {"nowhere": 50})
    assert [r.message for r in caplog.records if r.levelno == logging.WARNING] == [
        "desk: it goes nowhere (from now on only counted)"
    ]


def test_causes_are_bounded() -> None:
    link = StillLink("desk", lambda batch: None)
    for number in range(TROUBLES_MAX + 10):
        link._trouble(f"cause {number}", "trouble")
    assert len(link.troubles) == TROUBLES_MAX + 1
    assert link.troubles["other"] == 10


def test_a_link_cannot_be_lost_before_it_was_open() -> None:
    link = StillLink("desk", lambda batch: None)
    link._become("opening")
    with pytest.raises(AssertionError, match="opening -> lost is no step"):
        link._become("lost")
