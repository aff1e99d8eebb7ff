"""Pacing under any schedule."""

from __future__ import annotations

import math
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from bridge.wire.pacing import FALL, OTHER, RAISE, REPEAT, URGENT, Budget, SlotQueue

RATES = st.floats(0.5, 1e6)
GAPS = st.one_of(st.just(0.0), st.floats(0.0, 0.1), st.floats(0.0, 100.0), st.just(-1.0))


@settings(max_examples=300, deadline=None)
@given(
    message_rate=RATES | st.just(math.inf),
    byte_rate=RATES,
    burst_s=st.floats(0.0, 0.5),
    start_s=st.floats(0.0, 1e6),
    schedule=st.lists(st.tuples(GAPS, st.integers(1, 6), st.integers(1, 200)), max_size=40),
)
def test_no_window_of_any_length_carries_more_than_burst_and_rate(
    message_rate: float,
    byte_rate: float,
    burst_s: float,
    start_s: float,
    schedule: list[tuple[float, int, int]],
) -> None:
    budget = Budget(message_rate, byte_rate, burst_s=burst_s)
    now_s, sent = start_s, []
    for gap_s, messages, nbytes in schedule:
        # A gap of -1 stands for "until the moment that the budget names", if it names one.
        wake_s = budget.next_wake_s()
        now_s = (wake_s if wake_s < math.inf else now_s) if gap_s < 0 else now_s + gap_s
        now_s = max(now_s, start_s)
        if budget.may(now_s, messages, nbytes):
            budget.spend(now_s, messages, nbytes)
            sent.append((now_s, messages, nbytes))
    for column, rate in ((1, message_rate), (2, byte_rate)):
        if rate < math.inf:
            assert_every_window(sent, column, rate, burst_s)


def assert_every_window(
    sent: list[tuple[float, int, int]], column: int, rate: float, burst_s: float
) -> None:
    longest = max((row[column] for row in sent), default=0)
    burst = max(burst_s * rate, longest)
    for first in range(len(sent)):
        total = 0
        for row in sent[first:]:
            total += row[column]
            window_s = row[0] - sent[first][0]
            # The clock itself is not finer than this.
            slack = 4 * rate * math.ulp(row[0]) * len(sent) + 1e-6 * total
            assert total <= burst + rate * window_s + slack


@settings(deadline=None)
@given(
    rate=RATES,
    burst_s=st.floats(0.0, 0.5),
    start_s=st.floats(0.0, 1e6),
    sizes=st.lists(st.integers(1, 200), min_size=1, max_size=50),
)
def test_a_link_that_wakes_when_told_never_stalls_and_wastes_nothing(
    rate: float, burst_s: float, start_s: float, sizes: list[int]
) -> None:
    budget, now_s = Budget(bytes_per_s=rate, burst_s=burst_s), start_s
    for nbytes in sizes:
        if not budget.may(now_s, 1, nbytes):
            now_s = budget.next_wake_s()
            assert budget.may(now_s, 1, nbytes)
        budget.spend(now_s, 1, nbytes)
    assert now_s <= start_s + sum(sizes) / rate + 4 * math.ulp(start_s + sum(sizes) / rate) * len(
        sizes
    )


class Turns(RuleBasedStateMachine):
    """A queue against a list of those who wait, in the order in which they came."""

    FAIR_EVERY = 3

    def __init__(self) -> None:
        super().__init__()
        self.queue = SlotQueue(self.FAIR_EVERY)
        self.line: list[list[int]] = []  # [slot, class, pops that it may still wait]
        self.passed_over: list[bool] = []

    def find(self, slot: int) -> list[int] | None:
        return next((row for row in self.line if row[0] == slot), None)

    @rule(slot=st.integers(0, 30), cls=st.integers(URGENT, REPEAT))
    def put(self, slot: int, cls: int) -> None:
        self.queue.put(slot, cls)
        known = self.find(slot)
        if known is not None and known[1] <= cls:
            return
        if known is not None:
            self.line.remove(known)
        before = sum(row[1] == cls for row in self.line)
        self.line.append([slot, cls, 4 * self.FAIR_EVERY * (before + 1)])

    @rule(slot=st.integers(0, 30))
    def discard(self, slot: int) -> None:
        self.queue.discard(slot)
        self.line = [row for row in self.line if row[0] != slot]

    @rule()
    def pop(self) -> None:
        slot = self.queue.pop()
        if not self.line:
            assert slot == -1
            return
        row = self.find(slot)
        assert row is not None, "only a slot that waits is popped"
        cls = row[1]
        assert row is next(other for other in self.line if other[1] == cls), "first come"
        most_urgent = min(other[1] for other in self.line)
        assert most_urgent > FALL or cls == most_urgent, "what is urgent first, then what falls"
        self.line.remove(row)
        if cls > FALL:
            self.passed_over.append(cls > most_urgent)
            for other in self.line:
                other[2] -= other[1] > FALL

    @rule(rounds=st.integers(1, 60), slots=st.lists(st.integers(31, 35), min_size=1, max_size=5))
    def flood(self, rounds: int, slots: list[int]) -> None:
        """Switches that turn all the time, faster than they can be told."""
        for _ in range(rounds):
            for slot in slots:
                self.put(slot, OTHER)
            self.pop()

    @rule(puts=st.lists(st.tuples(st.integers(36, 50), st.integers(FALL, REPEAT)), max_size=20))
    def churn(self, puts: list[tuple[int, int]]) -> None:
        for slot, cls in puts:
            self.put(slot, cls)
            self.pop()

    @invariant()
    def all_who_wait_are_counted(self) -> None:
        assert len(self.queue) == len(self.line)
        for cls in range(URGENT, REPEAT + 1):
            assert self.queue.waiting(cls) == sum(row[1] == cls for row in self.line)

    @invariant()
    def nobody_waits_longer_than_promised(self) -> None:
        assert all(row[2] >= 1 for row in self.line if row[1] > FALL)

    @invariant()
    def a_more_urgent_class_is_passed_over_on_fair_turns_only(self) -> None:
        over = [at for at, passed in enumerate(self.passed_over) if passed]
        assert all(later - at >= self.FAIR_EVERY for at, later in pairwise(over))


Turns.TestCase.settings = settings(max_examples=200, stateful_step_count=40, deadline=None)
TestTurns = Turns.TestCase


@settings(deadline=None)
@given(
    fair_every=st.integers(2, 10),
    switches=st.integers(1, 20),
    raises=st.integers(1, 10),
    before=st.integers(0, 30),
)
def test_in_a_flood_of_switches_the_nth_raise_is_popped_within_n_fair_turns(
    fair_every: int, switches: int, raises: int, before: int
) -> None:
    queue = SlotQueue(fair_every)
    for slot in range(switches):
        queue.put(slot, OTHER)
    for _ in range(before):
        queue.put(queue.pop(), OTHER)
    for slot in range(100, 100 + raises):
        queue.put(slot, RAISE)
    served = []
    for _ in range(fair_every * raises):
        slot = queue.pop()
        served.append(slot)
        if slot < 100:
            queue.put(slot, OTHER)
    raised = [at for at, slot in enumerate(served, 1) if slot >= 100]
    assert len(raised) == raises
    assert all(at <= fair_every * (n + 1) for n, at in enumerate(raised))
