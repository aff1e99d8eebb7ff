"""The event loop on virtual time."""

from __future__ import annotations

import asyncio
import time

import pytest

from bridge.simulator.clock import TURNS_PER_MOMENT_MAX, AllTasksWait, VirtualLoop, run


def test_an_hour_of_36_000_wake_ups_passes_in_seconds() -> None:
    async def main() -> tuple[float, int]:
        loop, wakes = asyncio.get_running_loop(), 0
        while loop.time() < 3600.0:
            await asyncio.sleep(0.1)
            wakes += 1
        return loop.time(), wakes

    began = time.perf_counter()
    at_s, wakes = run(main())
    assert at_s == pytest.approx(3600.0, abs=0.11)
    assert wakes in (36_000, 36_001)
    assert time.perf_counter() - began < 10.0  # about 1 s; a crowded machine gets ten times that


def test_timers_fire_in_order_and_at_their_time() -> None:
    seen: list[tuple[str, float]] = []

    async def after(delay_s: float, name: str) -> None:
        await asyncio.sleep(delay_s)
        seen.append((name, asyncio.get_running_loop().time()))

    async def main() -> None:
        await asyncio.gather(after(3.0, "late"), after(0.5, "early"), after(86_500.0, "tomorrow"))

    run(main())
    assert [name for name, _ in seen] == ["early", "late", "tomorrow"]
    assert [at_s for _, at_s in seen] == pytest.approx([0.5, 3.0, 86_500.0])


def test_a_timeout_comes_when_nothing_else_does() -> None:
    async def main() -> float:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(2.0):
                await asyncio.Event().wait()
        return asyncio.get_running_loop().time()

    assert run(main()) == pytest.approx(2.0)


def test_waiting_for_ever_raises_and_names_the_tasks() -> None:
    async def main() -> None:
        await asyncio.sleep(1.5)
        task = asyncio.create_task(asyncio.Event().wait(), name="console reader")
        await task

    with pytest.raises(AllTasksWait, match=r"at 1.500 s.*console reader") as caught:
        run(main())
    assert caught.value.at_s == pytest.approx(1.5)


def test_a_task_that_spins_raises_instead_of_standing_still() -> None:
    async def main() -> None:
        while True:
            await asyncio.sleep(0)

    with pytest.raises(AllTasksWait, match="turns in one moment"):
        run(main())


def test_many_turns_are_fine_while_time_passes() -> None:
    async def main() -> float:
        for _ in range(4):
            for _ in range(TURNS_PER_MOMENT_MAX // 3):
                await asyncio.sleep(0)
            await asyncio.sleep(0.5)
        return asyncio.get_running_loop().time()

    assert run(main()) == pytest.approx(2.0)


def test_tasks_are_cancelled_and_finish_after_a_deadlock() -> None:
    ended: list[str] = []

    async def waits() -> None:
        try:
            await asyncio.Event().wait()
        finally:
            ended.append("tidy")

    async def main() -> None:
        await asyncio.gather(waits(), waits())

    with pytest.raises(AllTasksWait):
        run(main())
    assert ended == ["tidy", "tidy"]


def test_two_runs_of_the_same_program_are_the_same_run() -> None:
    async def main() -> list[tuple[int, float]]:
        seen: list[tuple[int, float]] = []

        async def ticks(number: int) -> None:
            for _ in range(50):
                await asyncio.sleep(0.01 * (1 + number % 3))
                seen.append((number, asyncio.get_running_loop().time()))

        await asyncio.gather(*(ticks(number) for number in range(9)))
        return seen

    assert run(main()) == run(main())


def test_a_thread_is_refused() -> None:
    async def main() -> None:
        with pytest.raises(RuntimeError, match="no threads"):
            await asyncio.get_running_loop().run_in_executor(None, int)

    run(main())


def test_a_call_from_another_place_still_wakes_the_loop() -> None:
    async def main() -> bool:
        event = asyncio.Event()
        asyncio.get_running_loop().call_soon_threadsafe(event.set)
        return await event.wait()

    assert run(main())


def test_time_starts_at_nought() -> None:
    loop = VirtualLoop()
    try:
        assert loop.time() == 0.0
    finally:
        loop.close()
