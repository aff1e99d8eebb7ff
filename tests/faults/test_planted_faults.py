"""For each promise a fault is planted in a whole bridge, and the witness turns red."""

from collections.abc import Callable
from dataclasses import replace

import pytest
from support.whole import KINDS, Kind, Run

from bridge.daemon import Daemon
from bridge.mix.matrix import RUNNING


def ceilings_are_forgotten(daemon: Daemon) -> None:
    ceilings = daemon.house.engine.ceilings
    ceilings.hard = [each + 12.0 for each in ceilings.hard]


def ramps_run_five_times_as_fast(daemon: Daemon) -> None:
    rides = daemon.house.engine.matrix.rides
    rides.rise = [5 * each for each in rides.rise]


def buses_open_before_their_sends_are_out(daemon: Daemon) -> None:
    engine = daemon.house.engine
    begin = engine.begin

    def at_once(*args: object) -> None:
        begin(*args)  # type: ignore[arg-type]
        engine.phase = RUNNING
        for bus in range(engine.matrix.buses):
            engine.gates.ready[bus] = 1
            engine.matrix.asked[engine.matrix.open + bus] = 1.0
            engine.buses.regate(bus, urgent=False)

    engine.begin = at_once  # type: ignore[method-assign]


def nothing_is_told_again(daemon: Daemon) -> None:
    daemon.house.console._repeat = lambda slot, now_s: None  # type: ignore[method-assign]


def every_message_leaves_forty_times(daemon: Daemon) -> None:
    console = daemon.house.console
    send = console._send
    console._send = lambda data: all([send(data) for _ in range(40)])  # type: ignore[method-assign]


def a_fault_counts_as_a_wish_for_more(daemon: Daemon) -> None:
    engine = daemon.house.engine
    back, m = engine.console_back, engine.matrix

    def louder(*args: object) -> None:
        back(*args)  # type: ignore[arg-type]
        for slot in range(m.send, m.on):
            m.asked[slot] = engine.ceilings.ceiling(slot)[0]
            engine.refresh(slot)

    engine.console_back = louder  # type: ignore[method-assign]


def the_fine_half_goes_first(daemon: Daemon) -> None:
    console = daemon.house.console
    say = console._say

    def swapped(messages: tuple[bytes, ...], now_s: float) -> bool:
        whole = len(messages) in (2, 4)  # a pair of controllers, or a parameter and its value
        return say((*messages[:-2], *messages[:-3:-1]) if whole else messages, now_s)

    console._say = swapped  # type: ignore[method-assign]


FAST_WIRE = replace(KINDS["midi"], wire_bytes_per_s=1e6)


@pytest.mark.parametrize(
    ("promise", "sabotage", "kind"),
    [
        ("ceiling", ceilings_are_forgotten, KINDS["position"]),
        ("slew", ramps_run_five_times_as_fast, KINDS["position"]),
        ("order", buses_open_before_their_sends_are_out, KINDS["position"]),
        ("settled", nothing_is_told_again, KINDS["blind"]),
        ("budget", every_message_leaves_forty_times, FAST_WIRE),
        ("slew", the_fine_half_goes_first, KINDS["nrpn"]),
        ("fault", a_fault_counts_as_a_wish_for_more, KINDS["position"]),
    ],
)
def test_the_witness_turns_red(
    promise: str, sabotage: Callable[[Daemon], None], kind: Kind
) -> None:
    for seed in range(100, 106):
        findings = Run(seed, kind, seconds=200.0, sabotage=sabotage).judged()
        if promise in findings.counts:
            return
    pytest.fail(f"six runs with {sabotage.__name__} broke no promise '{promise}'")
