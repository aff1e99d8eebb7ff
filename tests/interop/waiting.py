"""Waiting for something to happen, with a deadline: the only way in which these tests wait."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable

LOOK_S = 0.005


def until(
    happened: Callable[[], object], seconds: float, what: str, *, look_s: float = LOOK_S
) -> None:
    """Come back when it has happened; fail when it has not in time."""
    end_s, pause = time.monotonic() + seconds, threading.Event()
    while not happened():
        if not time.monotonic() < end_s:
            raise AssertionError(f"waited {seconds:g} s in vain for {what}")
        pause.wait(look_s)


async def soon(happened: Callable[[], object], what: str, seconds: float = 5.0) -> None:
    """The same for tests in an event loop, which goes on turning meanwhile."""
    loop = asyncio.get_running_loop()
    end_s, never = loop.time() + seconds, asyncio.Event()
    while not happened():
        if not loop.time() < end_s:
            raise AssertionError(f"waited {seconds:g} s in vain for {what}")
        try:
            await asyncio.wait_for(never.wait(), LOOK_S)
        except TimeoutError:
            continue
