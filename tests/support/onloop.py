"""Tests of what runs in a loop, without a plugin."""

from __future__ import annotations

import asyncio
import functools
from collections.abc import Awaitable, Callable
from typing import Any


def on_loop(test: Callable[..., Awaitable[None]]) -> Callable[..., None]:
    """Run a test in a loop of its own, no longer than a minute."""

    @functools.wraps(test)
    def run(*arguments: Any, **named: Any) -> None:
        asyncio.run(asyncio.wait_for(test(*arguments, **named), 60))

    return run
