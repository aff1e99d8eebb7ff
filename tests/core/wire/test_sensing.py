"""Active sensing: MIDI 1.0 Detailed Specification, "Active Sensing" (FE, 300 ms at most)."""

from __future__ import annotations

import math

from bridge.wire.sensing import ACTIVE_SENSING, Sensing

NOTE = b"\x90\x3c\x40"


def test_silence_means_nothing_before_the_first_sign_of_life() -> None:
    sensing = Sensing()
    assert sensing.heard([NOTE], 1.0) == [NOTE]
    assert sensing.due_s == math.inf and not sensing.silent(100.0)


def test_a_sender_that_stops_is_gone_after_330_ms_and_told_once() -> None:
    sensing = Sensing()
    assert sensing.heard([ACTIVE_SENSING, NOTE], 1.0) == [NOTE]
    assert not sensing.silent(1.329)
    assert sensing.silent(sensing.due_s) and sensing.gone
    assert not sensing.silent(2.0)


def test_whatever_it_says_is_a_sign_of_life() -> None:
    sensing = Sensing()
    sensing.heard([ACTIVE_SENSING], 1.0)
    sensing.heard([NOTE], 1.3)
    assert not sensing.silent(1.62)


def test_a_sender_that_speaks_again_is_back() -> None:
    sensing = Sensing()
    sensing.heard([ACTIVE_SENSING], 1.0)
    assert sensing.silent(1.34)
    assert sensing.heard([ACTIVE_SENSING], 5.0) == []
    assert not sensing.gone and sensing.due_s == 5.33


def test_a_late_look_reads_first_what_has_come_in_meanwhile() -> None:
    sensing = Sensing()
    sensing.heard([ACTIVE_SENSING], 1.0)
    assert not sensing.silent(3.0), "we stood still, not the sender"
    assert sensing.due_s == 3.1
    assert sensing.silent(3.1)


def test_another_connection_starts_anew() -> None:
    sensing = Sensing()
    sensing.heard([ACTIVE_SENSING], 1.0)
    sensing.clear()
    assert not sensing.active and not sensing.silent(9.0)
