"""What may leave on a link now, and whose turn it is.

Source of the wire's rate: IEC 63035:2017 (MIDI 1.0), 31.25 kBd and 10 bits a byte.
"""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from bridge.wire.pacing import (
    ASK,
    CLASS_NAMES,
    FAIR_EVERY,
    FALL,
    MIDI_WIRE_BYTES_PER_S,
    OTHER,
    RAISE,
    REPEAT,
    URGENT,
    Budget,
    SlotQueue,
)


def sent_until(budget: Budget, end_s: float, messages: int, nbytes: int) -> int:
    """How many spends a link makes that always has more to say and wakes when it is told."""
    now_s, count = 0.0, 0
    while now_s <= end_s:
        while budget.may(now_s, messages, nbytes):
            budget.spend(now_s, messages, nbytes)
            count += 1
            assert count < 100_000, "no limit at all"
        now_s = budget.next_wake_s()
    return count


def test_a_midi_wire_is_used_fully_and_never_over_its_rate_and_burst() -> None:
    # 3125 bytes/s: 10 s carry 31,250 bytes, and the burst is 20 ms' worth, 62.5 bytes.
    nbytes = 3 * sent_until(Budget(bytes_per_s=MIDI_WIRE_BYTES_PER_S), 10.0, 1, 3)
    assert 31_250 <= nbytes <= 31_250 + 62.5


def test_the_tighter_of_the_two_rates_binds() -> None:
    # 2.5 messages at once, then 100 a second.
    assert sent_until(Budget(100.0, 1e9, burst_s=0.025), 1.0, 1, 3) == 102
    assert sent_until(Budget(1e9, 300.0, burst_s=0.025), 1.0, 1, 3) == 102


def test_an_unlimited_budget_never_says_no() -> None:
    budget = Budget()
    for _ in range(1000):
        assert budget.may(0.0, 1, 1400)
        budget.spend(0.0, 1, 1400)
    assert budget.next_wake_s() == math.inf


def test_after_a_rest_only_the_burst_may_leave_at_once_however_long_the_rest() -> None:
    budget = Budget(bytes_per_s=3100.0)
    for now_s in (0.0, 3600.0):
        count = 0
        while budget.may(now_s, 1, 3):
            budget.spend(now_s, 1, 3)
            count += 1
            assert count <= 20
        assert count == 20  # 20 ms * 3100 bytes/s = 62 bytes


def test_a_spend_longer_than_the_burst_goes_once_the_link_has_rested() -> None:
    budget = Budget(bytes_per_s=1000.0, burst_s=0.004)
    assert budget.may(0.0, 1, 12)
    budget.spend(0.0, 1, 12)
    assert not budget.may(0.0119, 1, 12)
    assert budget.next_wake_s() == pytest.approx(0.012)
    assert budget.may(budget.next_wake_s(), 1, 12)


def test_a_refused_one_leaves_exactly_when_the_budget_said() -> None:
    budget = Budget(bytes_per_s=3125.0, burst_s=0.0)
    now_s = 123_456.789
    budget.spend(now_s, 1, 7)
    assert not budget.may(now_s, 1, 3)
    wake_s = budget.next_wake_s()
    assert wake_s == pytest.approx(now_s + 7 / 3125)
    assert not budget.may(math.nextafter(wake_s, 0.0), 1, 3)
    assert budget.may(wake_s, 1, 3)
    assert budget.next_wake_s() == math.inf


def test_what_was_sent_without_asking_is_paid_back() -> None:
    budget = Budget(bytes_per_s=1000.0, burst_s=0.01)
    budget.spend(0.0, 1, 10)
    budget.spend(0.0, 1, 30)
    assert not budget.may(0.0319, 1, 3)
    assert budget.may(0.0331, 1, 3)


def test_a_time_that_is_no_number_permits_nothing() -> None:
    assert not Budget(bytes_per_s=1000.0).may(math.nan, 1, 3)
    assert not Budget().may(math.nan, 1, 3)


@pytest.mark.parametrize("rate", [0.0, -1.0, math.nan])
def test_a_rate_that_is_not_above_0_is_refused(rate: float) -> None:
    for rates in ((rate, 1.0), (1.0, rate)):
        with pytest.raises(ValueError, match="expected above 0"):
            Budget(*rates)


@pytest.mark.parametrize("burst_s", [-0.1, math.inf, math.nan])
def test_a_burst_without_bound_or_below_0_is_refused(burst_s: float) -> None:
    with pytest.raises(ValueError, match=r"burst_s is .*, expected 0 or more and finite"):
        Budget(1.0, burst_s=burst_s)


# --- whose turn it is --------------------------------------------------------------------------


def drained(queue: SlotQueue) -> list[int]:
    return [queue.pop() for _ in range(len(queue))]


def filled(*puts: tuple[int, int]) -> SlotQueue:
    queue = SlotQueue()
    for slot, cls in puts:
        queue.put(slot, cls)
    return queue


def test_classes_are_in_the_order_of_their_names() -> None:
    assert CLASS_NAMES == ("urgent", "fall", "other", "raise", "ask", "repeat")
    assert (URGENT, FALL, OTHER, RAISE, ASK, REPEAT) == (0, 1, 2, 3, 4, 5)


def test_an_empty_queue_pops_minus_1() -> None:
    queue = SlotQueue()
    assert (queue.pop(), len(queue)) == (-1, 0)


def test_the_most_urgent_class_goes_first_whatever_came_first() -> None:
    queue = filled((6, REPEAT), (5, ASK), (4, RAISE), (3, OTHER), (2, FALL), (1, URGENT))
    assert drained(queue) == [1, 2, 3, 4, 5, 6]
    assert queue.pop() == -1


def test_inside_a_class_first_come_is_first_served() -> None:
    assert drained(filled(*((slot, RAISE) for slot in (5, 3, 9, 0)))) == [5, 3, 9, 0]


def test_a_slot_waits_once_and_keeps_its_place() -> None:
    queue = filled((1, FALL), (2, FALL), (1, FALL), (1, RAISE))
    assert len(queue) == 2
    assert drained(queue) == [1, 2]


def test_a_more_urgent_class_promotes_a_slot_to_the_end_of_that_class() -> None:
    queue = filled((1, RAISE), (2, FALL), (3, RAISE), (1, FALL))
    assert (queue.waiting(FALL), queue.waiting(RAISE)) == (2, 1)
    assert drained(queue) == [2, 1, 3]


def test_a_popped_slot_that_comes_back_goes_behind_those_that_wait() -> None:
    queue = filled((1, FALL), (2, FALL))
    assert queue.pop() == 1
    queue.put(1, FALL)
    assert drained(queue) == [2, 1]


def test_a_discarded_slot_is_not_popped_and_others_keep_their_places() -> None:
    queue = filled((1, FALL), (2, URGENT), (3, FALL))
    queue.discard(1)
    queue.discard(99)
    assert 1 not in queue
    assert 3 in queue
    assert drained(queue) == [2, 3]
    queue.put(1, FALL)
    queue.clear()
    assert (queue.pop(), len(queue), queue.waiting(FALL)) == (-1, 0, 0)


def test_in_a_flood_of_switches_a_raise_gets_every_eighth_pop_and_not_more() -> None:
    queue = filled((1, OTHER), (2, OTHER), *((slot, RAISE) for slot in range(100, 110)))
    popped = []
    for _ in range(10 * FAIR_EVERY):
        slot = queue.pop()
        popped.append(slot)
        if slot < 100:
            queue.put(slot, OTHER)
    assert [at for at, slot in enumerate(popped) if slot >= 100] == list(range(7, 80, 8))
    assert [slot for slot in popped if slot >= 100] == list(range(100, 110))


def test_a_raise_that_joins_a_flood_waits_for_eight_pops_at_most() -> None:
    for before in range(20):
        queue = filled((1, OTHER))
        for _ in range(before):
            queue.put(queue.pop(), OTHER)
        queue.put(100, RAISE)
        waited = 1
        while queue.pop() != 100:
            queue.put(1, OTHER)
            waited += 1
            assert waited <= FAIR_EVERY


def test_a_raise_that_had_the_link_for_itself_waits_for_eight_pops_too() -> None:
    for alone in range(20):
        queue = SlotQueue()
        for _ in range(alone):
            queue.put(100, RAISE)
            assert queue.pop() == 100
        queue.put(1, OTHER)
        queue.put(100, RAISE)
        for _ in range(FAIR_EVERY - 1):
            assert queue.pop() == 1
            queue.put(1, OTHER)
        assert queue.pop() == 100


def test_when_every_class_is_flooded_each_gets_its_share_of_the_fair_turns() -> None:
    classes = (OTHER, RAISE, ASK, REPEAT)
    queue = filled(*((cls, cls) for cls in classes))
    popped = []
    for _ in range(40 * FAIR_EVERY):
        slot = queue.pop()
        popped.append(slot)
        queue.put(slot, slot)
    for cls in (RAISE, ASK, REPEAT):
        turns = [at for at, slot in enumerate(popped) if slot == cls]
        # The first class has all the other pops, so the three after it share the fair turns.
        assert len(turns) == 40 // 3 + (cls == RAISE)
        assert all(later - at == 3 * FAIR_EVERY for at, later in pairwise(turns))


def test_falls_never_wait_behind_anything_that_rises() -> None:
    queue = filled((100, RAISE), (101, OTHER), (102, ASK), (103, REPEAT))
    for _ in range(20 * FAIR_EVERY):
        queue.put(1, FALL)
        assert queue.take() == (1, FALL)
    assert queue.pop() == 101


def test_urgent_slots_never_wait_for_a_fair_turn() -> None:
    queue = filled((1, OTHER), (100, RAISE))
    for _ in range(50):
        queue.put(0, URGENT)
        assert queue.pop() == 0
    for _ in range(FAIR_EVERY - 1):
        queue.put(queue.pop(), OTHER)
    queue.put(0, URGENT)
    assert queue.pop() == 0
    assert queue.pop() == 100


def test_a_fair_turn_of_less_than_two_is_refused() -> None:
    with pytest.raises(ValueError, match="fair_every is 1, expected 2 or more"):
        SlotQueue(fair_every=1)
