"""A network with accidents from one seed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.simulator.network import LossyNetwork, perfect

PACKETS = 4000


def _run(network: LossyNetwork, gap_s: float = 0.001) -> list[list[tuple[float, bytes]]]:
    return [network.carry(i * gap_s, str(i).encode()) for i in range(PACKETS)]


def test_a_perfect_network_delivers_everything_at_once_and_in_order() -> None:
    assert _run(perfect()) == [[(i * 0.001, str(i).encode())] for i in range(PACKETS)]


def test_the_same_seed_is_the_same_run_and_another_seed_is_not() -> None:
    def bad(seed: int) -> LossyNetwork:
        return LossyNetwork(seed, loss=0.1, double=0.1, delay_s=(0.0, 0.05))

    assert _run(bad(7)) == _run(bad(7))
    assert _run(bad(7)) != _run(bad(8))


def test_losses_come_as_often_as_declared() -> None:
    network = LossyNetwork(3, loss=0.05)
    missing = sum(not arrivals for arrivals in _run(network))
    assert missing == network.lost
    assert 0.04 < missing / PACKETS < 0.06


def test_doubles_come_as_often_as_declared() -> None:
    network = LossyNetwork(3, double=0.2, delay_s=(0.001, 0.02))
    twice = sum(len(arrivals) == 2 for arrivals in _run(network))
    assert twice == network.doubled
    assert 0.17 < twice / PACKETS < 0.23


def test_packets_overtake_each_other_only_where_declared() -> None:
    for reorder, expected in ((1.0, True), (0.0, False)):
        network = LossyNetwork(5, delay_s=(0.0, 0.05), reorder=reorder)
        times = [at_s for arrivals in _run(network) for at_s, _ in arrivals]
        assert (times != sorted(times)) is expected
        assert (network.overtaken > 0) is expected


@given(
    seed=st.integers(0, 10**6),
    delays=st.tuples(st.floats(0, 1), st.floats(0, 1)).map(sorted),
    reorder=st.floats(0, 1),
    double=st.floats(0, 1),
)
def test_no_packet_is_later_than_the_longest_delay(
    seed: int, delays: list[float], reorder: float, double: float
) -> None:
    network = LossyNetwork(seed, delay_s=(delays[0], delays[1]), reorder=reorder, double=double)
    for i in range(60):
        for at_s, _ in network.carry(i * 0.01, b"x"):
            assert i * 0.01 + delays[0] - 1e-9 <= at_s <= i * 0.01 + network.delay_max_s + 1e-9


def test_a_blackout_takes_what_is_sent_and_what_would_arrive_in_it() -> None:
    network = LossyNetwork(1, delay_s=(0.1, 0.1), blackouts=[(1.0, 2.0)])
    fates = {at_s: bool(network.carry(at_s, b"x")) for at_s in (0.8, 0.95, 1.5, 1.95, 2.0)}
    assert fates == {0.8: True, 0.95: False, 1.5: False, 1.95: False, 2.0: True}


@pytest.mark.parametrize(
    ("wrong", "text"),
    [
        ({"loss": 1.5}, "loss: found 1.5, expected a probability 0..1"),
        ({"double": float("nan")}, "double: found nan, expected a probability 0..1"),
        ({"reorder": -1.0}, "reorder: found -1.0, expected a probability 0..1"),
        ({"delay_s": (0.2, 0.1)}, r"delay_s: found \(0.2, 0.1\), expected 0 <= shortest"),
        ({"delay_s": (0.0, float("inf"))}, "delay_s: found"),
        ({"blackouts": [(2.0, 1.0)]}, r"blackouts: found \(2.0, 1.0\), expected \(from, to\)"),
    ],
)
def test_a_network_that_cannot_be_is_refused(wrong: dict[str, object], text: str) -> None:
    with pytest.raises(ValueError, match=text):
        LossyNetwork(1, **wrong)  # type: ignore[arg-type]
