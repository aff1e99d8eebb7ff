"""How the bridge keeps a MIDI helper alive, with a stand-in for the helper and no driver."""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import AsyncIterator, Coroutine
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from waiting import soon

from bridge.links import midi_frames as frames
from bridge.links.midi_names import MidiPort
from bridge.links.midi_process import PIPE_BYTES_MAX, Helper

STAND_IN = str(Path(__file__).with_name("stand_in_helper.py"))
CHANGE = b"\xb0\x07\x40"
START_S = 20.0
"""A new Python process on a busy machine."""


def run(work: Coroutine[Any, Any, None]) -> None:
    async def bounded() -> None:
        async with asyncio.timeout(60):
            await work

    asyncio.run(bounded())


class Owner:
    """Whoever opened a port."""

    def __init__(self) -> None:
        self.said: list[object] = []

    def opened(self) -> None:
        self.said.append("opened")

    def failed(self, why: str) -> None:
        self.said.append(why)

    def heard(self, messages: list[bytes]) -> None:
        self.said += messages


@asynccontextmanager
async def helper(how: str) -> AsyncIterator[tuple[Helper, Owner, int]]:
    """A running helper with one open port."""
    changes: list[int] = []
    running = Helper("jack", lambda: changes.append(1), program=(sys.executable, STAND_IN, how))
    running.start()
    owner = Owner()
    try:
        await soon(lambda: running.ready, "the stand-in", START_S)
        port = running.open_port(frames.OUTPUT, 0, "Knobs:in", owner)
        assert port is not None
        if how != "deaf":
            await soon(lambda: owner.said == ["opened"], "the port", START_S)
        yield running, owner, port
    finally:
        await running.stop()


def is_alive(pid: int | None) -> bool:
    assert pid is not None
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def test_messages_pass_in_both_directions_and_in_order() -> None:
    async def work() -> None:
        async with helper("echo") as (running, owner, port):
            assert running.ports == (MidiPort("jack", True, "Knobs:in"),)
            messages = [bytes((0xB0, 7, number)) for number in range(100)]
            assert all(running.send(port, message) for message in messages)
            await soon(lambda: len(owner.said) == 101, "the echoes")
            assert owner.said[1:] == messages
            await soon(lambda: running.dropped == 7, "the helper's own count")

    run(work())


def test_stopping_ends_the_process() -> None:
    async def work() -> None:
        async with helper("echo") as (running, _, _):
            pid = running.pid
        assert not is_alive(pid)
        assert (running.pid, running.ready, running.ports) == (None, False, ())
        assert not running.send(0, CHANGE)

    run(work())


def test_a_helper_that_will_not_end_is_killed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bridge.links.midi_process.STOP_S", 0.3)

    async def work() -> None:
        async with helper("rude") as (running, _, _):
            pid = running.pid
        assert not is_alive(pid)

    run(work())


@pytest.mark.parametrize("how", ["hang", "die"])
def test_a_helper_that_hangs_or_dies_is_replaced(how: str) -> None:
    async def work() -> None:
        async with helper(how) as (running, _, port):
            before = running.pid
            assert running.send(port, CHANGE)
            await soon(lambda: not running.ready, "the loss", START_S)
            assert running.ports == ()
            await soon(lambda: running.ready, "the next helper", START_S)
            assert running.pid != before
            assert not is_alive(before)
            assert running.restarts == 1

    run(work())


def test_a_helper_that_stops_reading_is_noticed_within_two_seconds() -> None:
    async def work() -> None:
        loop = asyncio.get_running_loop()
        async with helper("hang") as (running, _, port):
            began_s = loop.time()
            running.send(port, CHANGE)
            await soon(lambda: not running.ready, "the loss", START_S)
            assert loop.time() - began_s < 2.5  # a question, a second without answer, some slack

    run(work())


def test_what_waits_for_a_helper_that_does_not_read_is_bounded(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("bridge.links.midi_process.STOP_S", 0.3)

    async def work() -> None:
        async with helper("deaf") as (running, _, port):
            taken = sum(running.send(port, CHANGE) for _ in range(100_000))
            assert taken < 100_000
            assert running._pipes is not None and running._pipes._input is not None
            assert running._pipes._input.get_write_buffer_size() <= PIPE_BYTES_MAX

    run(work())


def test_a_helper_that_says_that_it_is_busy_is_given_time() -> None:
    async def work() -> None:
        async with helper("slow") as (running, owner, _):
            assert owner.said == ["opened"]
            assert running.restarts == 0

    run(work())


def test_a_helper_that_is_slow_without_a_word_is_replaced() -> None:
    async def work() -> None:
        running = Helper("jack", lambda: None, program=(sys.executable, STAND_IN, "slow!"))
        running.start()
        await soon(lambda: running.ready, "the stand-in", START_S)
        running.open_port(frames.OUTPUT, 0, "Knobs:in", Owner())
        await soon(lambda: running.restarts == 1, "the next helper", START_S)
        await running.stop()

    run(work())


def test_a_program_that_cannot_be_started_is_tried_again_and_says_why() -> None:
    async def work() -> None:
        running = Helper("jack", lambda: None, program=("/nowhere/at all",))
        running.start()
        await soon(lambda: running.restarts >= 2, "two tries")
        assert "/nowhere/at all" in running.why_not
        assert not running.ready
        await running.stop()

    run(work())


def test_port_numbers_run_out_and_come_back() -> None:
    async def work() -> None:
        async with helper("echo") as (running, owner, port):
            others = [
                running.open_port(frames.OUTPUT, 0, "Knobs:in", owner)
                for _ in range(frames.PORTS_MAX - 1)
            ]
            assert len({port, *others}) == frames.PORTS_MAX
            assert running.open_port(frames.OUTPUT, 0, "Knobs:in", owner) is None
            running.close_port(port)
            assert running.open_port(frames.OUTPUT, 0, "Knobs:in", owner) == port

    run(work())


def test_a_port_number_is_not_given_to_the_next_owner_at_once() -> None:
    """A message of the old port may still be on its way; it must not move the new one's levels."""

    async def work() -> None:
        async with helper("echo") as (running, _, port):
            second = Owner()
            running.send(port, CHANGE)
            running.close_port(port)
            number = running.open_port(frames.OUTPUT, 0, "Knobs:in", second)
            await soon(lambda: second.said, "the second port")
            assert (number != port, second.said) == (True, ["opened"])

    run(work())
