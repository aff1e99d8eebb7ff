"""One page that is open: latest values out, wishes in. A page that sleeps holds up nobody. I/O.

Out: there is no queue. What a page has not been told yet is a set of keys, and their values are
looked up when they leave; so a slow page gets fewer, newer values, and one that takes nothing for
two seconds is dropped. In: messages have a size and a rate.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
from collections.abc import Callable
from typing import Any

from aiohttp import WSMsgType, web

from bridge.pages.hands import Hands
from bridge.pages.messages import Said, read
from bridge.pages.scene import Scene

SEND_S = 2.0
"""A page that has not taken what was sent within this time sleeps or is gone, and is dropped."""

FRAME_S = 0.03
"""Shortest time between two frames of a page: 33 a second. What is shown is at most this old when
it leaves, and with the way to the phone it stays below 50 ms."""

ROOM_S = 0.02
"""Time between two looks whether a page has taken what was sent."""

KERNEL_BYTES = 65_536
"""Most that the system keeps for a page: what is older than that is of no use to anybody."""

HEARTBEAT_S = 8.0
"""Time between two signs of life: a phone whose battery ran out is noticed within some 12 s."""

MESSAGES_PER_S, MESSAGES_AT_ONCE = 60.0, 120.0
"""A dragged bar says 25 messages a second; two hands on two bars are 50."""

EXCESS_MAX = 600
"""Messages over the rate, and messages that mean nothing, after which a page is shut out."""

WRONG = 4400
"""Close code: the page said too much that it should not."""
OUT = 4401
"""Close code: the token is no longer in force."""
FULL = 4429
"""Close code: too many pages of this person are open."""


class Rate:
    """How many messages a page may say."""

    def __init__(self, now_s: float) -> None:
        self._left, self._at_s = MESSAGES_AT_ONCE, now_s

    def may(self, now_s: float) -> bool:
        """Whether one more is in order."""
        self._left = min(MESSAGES_AT_ONCE, self._left + (now_s - self._at_s) * MESSAGES_PER_S)
        self._at_s = now_s
        if self._left < 1.0:
            return False
        self._left -= 1.0
        return True


class Client:
    """One open page.

    Args:
        ws: Its WebSocket, opened.
        scene: What it shows.
        hands: Whose hands are on it.
        serial: Serial of its token.
        transport: The connection below.
        heard: Takes a message that means something; answers in words when it cannot be done.

    Attributes:
        own: Values that are for this page alone, by key.
        bad: Messages that meant nothing or came too fast.
        told: Frames that were sent.
    """

    def __init__(
        self,
        ws: web.WebSocketResponse,
        scene: Scene,
        hands: Hands,
        *,
        serial: int,
        transport: asyncio.WriteTransport,
        heard: Callable[[Client, Said], str],
    ) -> None:
        self.ws, self.scene, self.hands, self.serial = ws, scene, hands, serial
        self._heard, self._transport = heard, transport
        self._pending: set[str] = set()
        self._wake = asyncio.Event()
        self.own: dict[str, Any] = {}
        self.bad = 0
        self.told = 0

    # -- out ------------------------------------------------------------------------------------

    def show(self, keys: set[str] | list[str]) -> None:
        """These keys are news for this page."""
        if keys:
            self._pending.update(keys)
            self._wake.set()

    def mine(self, key: str, value: Any) -> None:
        """A value for this page alone."""
        if self.own.get(key, self) != value:
            self.own[key] = value
            self.show([key])

    def frame(self) -> dict[str, Any]:
        """The newest values of all that this page has not been told; it counts as told now."""
        keys, self._pending = self._pending, set()
        values, own = self.scene.values, self.own
        return {key: own[key] if key in own else values[key] for key in keys}

    async def tell(self, plan: dict[str, Any]) -> None:
        """Tell the page what it has to know, and what is new, until it goes or sleeps."""
        await self._send({"plan": plan})
        self.show(self.scene.whole())
        loop = asyncio.get_running_loop()
        while not self.ws.closed:
            await self._wake.wait()
            self._wake.clear()
            due_s = loop.time() + FRAME_S
            if not await self._has_room():
                self.drop()
                return
            await self._send({"new": self.frame()})
            self.told += 1
            await asyncio.sleep(due_s - loop.time())

    async def _has_room(self) -> bool:
        """Wait until the page has taken what was sent before; False when it sleeps."""
        loop = asyncio.get_running_loop()
        until_s = loop.time() + SEND_S
        while self._transport.get_write_buffer_size() > 0:
            if loop.time() >= until_s:
                return False
            await asyncio.sleep(ROOM_S)
        return True

    async def _send(self, data: dict[str, Any]) -> None:
        text = json.dumps(data, allow_nan=False, separators=(",", ":"))
        with contextlib.suppress(ConnectionError):  # the page has just gone: listen() ends too
            await self.ws.send_str(text)

    def drop(self) -> None:
        """Let go of the page at once, without a word: it would not hear one."""
        self._transport.abort()

    # -- in -------------------------------------------------------------------------------------

    async def listen(self) -> None:
        """Take what the page says until it goes."""
        loop = asyncio.get_running_loop()
        rate = Rate(loop.time())
        async for message in self.ws:
            if self.bad > EXCESS_MAX:
                await self.close(WRONG, "too much that means nothing")
                return
            if message.type is not WSMsgType.TEXT or not rate.may(loop.time()):
                self.bad += 1
                continue
            self._take(message.data)

    def _take(self, text: str) -> None:
        said = read(text)
        if isinstance(said, str):
            self.bad += 1
            self._refuse(said)
            return
        words = self._heard(self, said)
        if words:
            self._refuse(words)
        self.mine("undo", self.hands.undoes)

    def _refuse(self, words: str) -> None:
        """Say why nothing came of a message."""
        count = self.own.get("refused", [0])[0]
        self.mine("refused", [count + 1, words])

    async def close(self, code: int, words: str) -> None:
        """Close the page with a reason that it shows; no longer than a moment."""
        with contextlib.suppress(TimeoutError, ConnectionError, RuntimeError):
            async with asyncio.timeout(0.5):
                await self.ws.close(code=code, message=words.encode())
        self.drop()


def keep_small(transport: asyncio.WriteTransport) -> None:
    """Keep the system's buffer of a connection small, so that what arrives is news."""
    sock = transport.get_extra_info("socket")
    if sock is not None:
        with contextlib.suppress(OSError):
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, KERNEL_BYTES)
