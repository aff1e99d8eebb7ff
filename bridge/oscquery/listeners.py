"""All listeners, and the look that finds what has changed for them. I/O."""

from __future__ import annotations

import asyncio
import contextlib
import logging

from aiohttp import web

from bridge.oscquery.listener import COMMAND_BYTES, FULL, HEARTBEAT_S, Listener, keep_small
from bridge.oscquery.methods import Method, Now
from bridge.oscquery.space import Space

log = logging.getLogger("foldbridge.discovery")

LISTENERS_MAX = 16
"""Listeners at once: more programs than anybody has on a stage."""

LOOK_S = 0.04
"""Time between two looks while anybody listens: 25 a second, as often as a page is drawn."""

SHARE = 9.0
"""After a look that took long the loop rests this many times as long: a tenth of it at most."""

AT_ONCE = 256
"""Values looked at in one go, about a third of a millisecond; the mix must not wait for it."""


class Listeners:
    """Everybody who listens.

    Args:
        space: What there is to listen to.

    Attributes:
        all: Everybody who is connected.
    """

    def __init__(self, space: Space) -> None:
        self._space = space
        self.all: list[Listener] = []
        self._anyone = asyncio.Event()
        self._seen: dict[Method, object] = {}
        self._heard: dict[Method, int] = {}
        self._failed = False

    @property
    def busy(self) -> bool:
        """Whether anybody listens to anything."""
        return bool(self._heard)

    def count(self, method: Method, more: int) -> None:
        """One more, or one less, listens to a method."""
        number = self._heard.get(method, 0) + more
        if number:
            self._heard[method] = number
        else:
            del self._heard[method], self._seen[method]
        if number == more == 1:
            # what it is told at first is looked up later than this, so no change is missed
            self._seen[method] = _said(self._space.read(method))
        (self._anyone.set if self._heard else self._anyone.clear)()

    async def run(self) -> None:
        """Look for what changed while anybody listens, until cancelled."""
        loop = asyncio.get_running_loop()
        while True:
            await self._anyone.wait()
            took_s, heard = 0.0, list(self._heard)
            for start in range(0, len(heard), AT_ONCE):
                began_s = loop.time()
                try:
                    self._look(heard[start : start + AT_ONCE])
                except Exception:  # discovery may never take the bridge down with it
                    self._tell_once()
                took_s += loop.time() - began_s
                await asyncio.sleep(0)
            await asyncio.sleep(max(LOOK_S, SHARE * took_s))

    def _tell_once(self) -> None:
        if not self._failed:
            self._failed = True
            log.exception("discovery: a look failed (told once)")

    def _look(self, methods: list[Method]) -> None:
        for method in methods:
            said = _said(self._space.read(method))
            if method not in self._seen or self._seen[method] == said:
                continue
            self._seen[method] = said
            for one in self.all:
                if method in one.hears:
                    one.show(method)

    async def serve(self, request: web.Request) -> web.WebSocketResponse:
        """Serve one listener until it goes."""
        ws = web.WebSocketResponse(
            heartbeat=HEARTBEAT_S, compress=False, max_msg_size=COMMAND_BYTES, timeout=1.0
        )
        await ws.prepare(request)
        transport = request.transport
        assert transport is not None, "just opened"
        one = Listener(ws, transport, self._space.tree, self._space.read, self.count)
        if len(self.all) >= LISTENERS_MAX:
            await one.close(FULL, "too many listen")
            return ws
        keep_small(transport)
        self.all.append(one)
        teller = asyncio.get_running_loop().create_task(one.tell(), name="listener")
        try:
            await one.listen()
        finally:
            teller.cancel()
            self.all.remove(one)
            one.forget()
            with contextlib.suppress(asyncio.CancelledError, ConnectionError, RuntimeError):
                await teller
        return ws

    async def close(self) -> None:
        """Close every listener: the bridge stops."""
        if self.all:
            await asyncio.wait(
                [asyncio.ensure_future(one.close(1001, "the bridge stops")) for one in self.all],
                timeout=1.0,
            )


def _said(now: Now | None) -> tuple[int, float] | None:
    """What tells one value from another, whoever speaks in this turn."""
    return None if now is None else (now.spot.slot, now.value)
