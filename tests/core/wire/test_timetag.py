"""Time tags mean what RFC 868 and OSC 1.0 say, and no message acts before its time or never."""

import math

import pytest

from bridge.wire.guard import IMMEDIATELY
from bridge.wire.timetag import (
    HELD_MAX,
    HORIZON_S,
    TimedQueue,
    ahead_s,
    time_tag,
    unix_s,
)

NOON = 1_796_040_000.0  # 2026-11-30 12:00 UTC
SECOND = 1 << 32

# Unix seconds, NTP seconds. Sources: RFC 868 prints the first two (1970-01-01, 1976-01-01); the
# third is 2024-01-01, 54 years with 13 leap days later than the first: 19,723 days.
EPOCHS = [(0, 2_208_988_800), (189_302_400, 2_398_291_200), (19_723 * 86_400, 3_913_056_000)]


@pytest.mark.parametrize(("unix", "ntp"), EPOCHS)
def test_time_tags_count_from_1900(unix: int, ntp: int) -> None:
    assert time_tag(unix) == ntp << 32
    assert unix_s(ntp << 32) == unix


def test_the_known_epochs_look_like_this_in_hexadecimal() -> None:
    assert time_tag(0) == 0x83AA7E80_00000000
    assert time_tag(19_723 * 86_400) == 0xE93C7F00_00000000


@pytest.mark.parametrize(("part", "fraction"), [(0.5, 0x80000000), (0.25, 0x40000000)])
def test_the_lower_half_is_a_binary_fraction(part: float, fraction: int) -> None:
    # OSC 1.0, "OSC Time Tags": 32 bits of fraction, so half a second is the top bit.
    assert time_tag(NOON + part) & 0xFFFFFFFF == fraction
    assert unix_s(time_tag(NOON + part)) == NOON + part


def test_one_step_is_232_picoseconds() -> None:
    # 2**-32 s; OSC 1.0 says "about 200 picoseconds".
    assert ahead_s(time_tag(NOON) + 1, NOON) == pytest.approx(232.83e-12, rel=1e-4)


def test_the_seconds_run_over_in_february_2036() -> None:
    # 2**32 s after 1900-01-01: 2036-02-07 06:28:16 UTC (RFC 5905, section 6).
    turn = 2**32 - 2_208_988_800
    assert time_tag(turn) == 0
    assert time_tag(turn - 1) == (2**32 - 1) << 32
    assert ahead_s(time_tag(turn + 2), turn - 1.0) == 3.0
    assert ahead_s(time_tag(turn - 2), turn + 1.0) == -3.0


@pytest.mark.parametrize("tag", [0, IMMEDIATELY])
def test_zero_and_one_mean_now(tag: int) -> None:
    assert ahead_s(tag, NOON) == 0.0


def test_a_sender_that_counts_from_its_own_start_is_late_and_not_years_ahead() -> None:
    assert ahead_s(90 * SECOND, NOON) < 0.0


def queue(**bounds: float) -> TimedQueue[str]:
    return TimedQueue(**bounds)  # type: ignore[arg-type]


def put(held: TimedQueue[str], messages: str, ahead: float, now_s: float = 100.0) -> list[str]:
    """Put messages, a letter each, that are dated ``ahead`` seconds from now."""
    tag = time_tag(NOON + now_s - 100.0 + ahead)
    return list(held.put(list(messages), tag, now_s=now_s, now_unix_s=NOON + now_s - 100.0))


def test_immediate_and_late_messages_come_back_at_once() -> None:
    # OSC 1.0, "Temporal Semantics": a time tag before or equal to now acts immediately.
    held = queue()
    for tag in (0, IMMEDIATELY, time_tag(NOON), time_tag(NOON - 0.001), time_tag(0)):
        assert list(held.put(["a", "b"], tag, now_s=0.0, now_unix_s=NOON)) == ["a", "b"]
    assert len(held) == 0
    assert held.next_wake_s() == math.inf


def test_an_early_message_waits_until_its_time_and_no_longer() -> None:
    held = queue()
    assert put(held, "a", 0.25) == []
    assert held.next_wake_s() == pytest.approx(100.25, abs=1e-6)
    assert held.due(100.24) == []
    assert held.due(held.next_wake_s()) == ["a"]
    assert held.due(200.0) == []
    assert held.next_wake_s() == math.inf


def test_messages_come_in_the_order_of_their_time_tags() -> None:
    held = queue()
    put(held, "c", 3.0)
    put(held, "a", 1.0)
    put(held, "b", 2.0)
    assert held.due(102.5) == ["a", "b"]
    assert held.next_wake_s() == pytest.approx(103.0, abs=1e-6)
    assert held.due(103.5) == ["c"]


def test_equal_time_tags_keep_the_order_of_arrival_though_the_clocks_are_read_unevenly() -> None:
    held = queue()
    tag = time_tag(NOON + 1.0)
    held.put(["a", "b"], tag, now_s=100.0, now_unix_s=NOON)
    held.put(["c"], tag, now_s=100.2, now_unix_s=NOON + 0.2001)
    held.put(["d"], tag, now_s=100.4, now_unix_s=NOON + 0.3999)
    assert held.due(102.0) == ["a", "b", "c", "d"]


def test_a_calendar_that_is_set_does_not_move_what_is_waiting() -> None:
    held = queue()
    held.put(["a"], time_tag(NOON + 1.0), now_s=100.0, now_unix_s=NOON)
    assert list(held.put(["b"], time_tag(NOON + 2.0), now_s=100.1, now_unix_s=NOON + 3600)) == ["b"]
    assert held.next_wake_s() == pytest.approx(101.0, abs=1e-6)


def test_a_message_dated_beyond_the_horizon_is_refused_and_never_acts() -> None:
    held = queue()
    assert put(held, "x", HORIZON_S + 0.01) == []
    assert list(held.put(["y", "z"], 2**64 - 1, now_s=100.0, now_unix_s=NOON)) == []
    assert held.refused_far == 3
    assert len(held) == 0
    assert held.due(math.inf) == []
    assert put(held, "a", HORIZON_S - 0.01) == []
    assert held.due(111.0) == ["a"]


def test_a_full_queue_refuses_a_bundle_whole_and_keeps_what_it_has() -> None:
    held = queue(held_max=3)
    assert put(held, "ab", 1.0) == []
    assert put(held, "xy", 2.0) == []
    assert (held.refused_full, len(held)) == (2, 2)
    assert put(held, "c", 2.0) == []
    assert put(held, "z", 1.0) == []
    assert held.refused_full == 3
    assert put(held, "now", 0.0) == ["n", "o", "w"]
    assert held.due(110.0) == ["a", "b", "c"]
    assert len(held) == 0
    assert put(held, "def", 1.0) == []
    assert held.due(110.0) == ["d", "e", "f"]


def test_the_bounds_are_what_the_module_says() -> None:
    held: TimedQueue[int] = TimedQueue()
    tag = time_tag(NOON + 1.0)
    held.put(list(range(HELD_MAX)), tag, now_s=0.0, now_unix_s=NOON)
    held.put([-1], tag, now_s=0.0, now_unix_s=NOON)
    assert (len(held), held.refused_full) == (HELD_MAX, 1)


def test_an_empty_bundle_leaves_nothing_behind() -> None:
    held = queue()
    assert put(held, "", 1.0) == []
    assert held.next_wake_s() == math.inf
