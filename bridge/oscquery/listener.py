"""One program that listens by WebSocket: the latest values out; who sleeps holds up nobody. I/O.

Out: there is no queue. What a listener has not been told yet is a set of methods, and their values
are looked up when they leave; one that takes nothing for two seconds is dropped. In: ``LISTEN``
and ``IGNORE``, bounded in size and rate (OSCQuery, "Optional Bi-Directional Communication").

OSC that a listener sends is not taken. Who may move a mix by OSC is decided by the address that it
comes from, and a WebSocket would be a way around that; the proposal has no flag that promises it.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import socket
from collections.abc import Callable

from aiohttp import WSMessage, WSMsgType, web

from bridge.oscquery.methods import READ, Method, message
from bridge.oscquery.tree import Read, Tree

log = logging.getLogger("foldbridge.discovery")

SEND_S = 2.0
"""A listener that has not taken what was sent within this time sleeps or is gone: it is dropped."""

ROOM_S = 0.02
"""Time between two looks whether a listener has taken what was sent."""

AT_ONCE = 64
"""Messages sent between two such looks: some 4 kB, far below where sending would have to wait."""

KERNEL_BYTES = 65_536
"""Most that the system keeps for a listener: what is older than that is of no use to anybody."""

HEARTBEAT_S = 8.0
"""Time between two signs of life: a machine that lost its network is noticed within some 12 s."""

COMMAND_BYTES = 1024
"""Longest command: an OSC address and its name."""

COMMANDS_PER_S, COMMANDS_AT_ONCE = 200.0, 20_000.0
"""A listener asks for every address one by one when it comes, and seldom later."""

COMMANDS_A_TURN = 32
"""Commands taken before others have the loop: a third of a millisecond."""

LISTENED_MAX = 16_384
"""Most addresses that one listener hears of: all that can be told."""

BAD_MAX = 200
"""Messages that mean nothing after which a listener is shut out."""

WRONG, FULL = 4400, 4429
"""Close codes: too much that means nothing; too many listeners."""


class Listener:
    """One listener.

    Args:
        ws: Its WebSocket, opened.
        transport: The connection below.
        tree: What there is to listen to.
        read: The value of a method now.
        count: Called with 1 when it begins to listen to a method, -1 when it ends.

    Attributes:
        hears: The methods that it listens to.
        bad: Messages that meant nothing.
    """

    def __init__(
        self,
        ws: web.WebSocketResponse,
        transport: asyncio.WriteTransport,
        tree: Tree,
        read: Read,
        count: Callable[[Method, int], None],
    ) -> None:
        self.ws, self._transport, self._tree, self._read = ws, transport, tree, read
        self._count = count
        self._pending: dict[Method, None] = {}
        self._wake = asyncio.Event()
        self.hears: dict[Method, None] = {}
        self.bad = 0
        self._left, self._at_s = COMMANDS_AT_ONCE, 0.0
        self._told_osc = False

    # -- out ------------------------------------------------------------------------------------

    def show(self, method: Method) -> None:
        """A value is news for this listener."""
        self._pending[method] = None
        self._wake.set()

    async def tell(self) -> None:
        """Send what is new until it goes or sleeps."""
        while not self.ws.closed:
            await self._wake.wait()
            if not await self._has_room():
                self.drop()
                return
            for method in list(self._pending)[:AT_ONCE]:
                del self._pending[method]
                now = self._read(method)
                if now is not None:
                    with contextlib.suppress(ConnectionError):  # gone: listen() ends too
                        await self.ws.send_bytes(message(now))
            if not self._pending:
                self._wake.clear()

    async def _has_room(self) -> bool:
        """Wait until it has taken what was sent before; False when it sleeps."""
        loop = asyncio.get_running_loop()
        until_s = loop.time() + SEND_S
        while self._transport.get_write_buffer_size() > 0:
            if loop.time() >= until_s:
                return False
            await asyncio.sleep(ROOM_S)
        return True

    def drop(self) -> None:
        """Let go of it at once, without a word: it would not hear one."""
        self._transport.abort()

    async def close(self, code: int, words: str) -> None:
        """Close it with a reason; no longer than a moment."""
        with contextlib.suppress(TimeoutError, ConnectionError, RuntimeError):
            async with asyncio.timeout(0.5):
                await self.ws.close(code=code, message=words.encode())
        self.drop()

    # -- in -------------------------------------------------------------------------------------

    async def listen(self) -> None:
        """Take its commands until it goes."""
        loop = asyncio.get_running_loop()
        self._at_s = loop.time()
        taken = 0
        async for one in self.ws:
            taken += 1
            if taken % COMMANDS_A_TURN == 0:
                await asyncio.sleep(0)
            if self.bad > BAD_MAX:
                await self.close(WRONG, "too much that means nothing")
                return
            if one.type is WSMsgType.BINARY:
                self._refuse_osc()
            elif not (self._may(loop.time()) and self._obey(one)):
                self.bad += 1

    def _may(self, now_s: float) -> bool:
        """Whether one more command is in order."""
        earned = (now_s - self._at_s) * COMMANDS_PER_S
        self._left, self._at_s = min(COMMANDS_AT_ONCE, self._left + earned), now_s
        if self._left < 1.0:
            return False
        self._left -= 1.0
        return True

    def _refuse_osc(self) -> None:
        self.bad += 1
        if not self._told_osc:
            self._told_osc = True
            log.info("discovery: OSC by WebSocket is not taken; it goes to the controller's port")

    def _obey(self, frame: WSMessage) -> bool:
        """Do what a command says; False when it means nothing here."""
        told = command(frame.data) if frame.type is WSMsgType.TEXT else None
        node = None if told is None else self._tree.nodes.get(told[1])
        if told is None or node is None or node.method is None:
            return False
        if told[0] == "IGNORE":
            self._end(node.method)
            return True
        return self._begin(node.method)

    def _begin(self, method: Method) -> bool:
        if not method.access & READ or len(self.hears) >= LISTENED_MAX:
            return False
        if method not in self.hears:
            self.hears[method] = None
            self._count(method, 1)
        self.show(method)  # the value as it is now is news to whoever begins to listen
        return True

    def _end(self, method: Method) -> None:
        self._pending.pop(method, None)
        if method in self.hears:
            del self.hears[method]
            self._count(method, -1)

    def forget(self) -> None:
        """It listens to nothing any more: a LISTEN ends with its connection."""
        for method in list(self.hears):
            self._end(method)


def command(text: str) -> tuple[str, str] | None:
    """The command and the path in a text frame; None when it is none."""
    try:
        said = json.loads(text)
    except (ValueError, RecursionError):
        return None
    if not isinstance(said, dict):
        return None
    name, path = said.get("COMMAND"), said.get("DATA")
    if name not in ("LISTEN", "IGNORE") or not isinstance(path, str):
        return None
    return name, path


def keep_small(transport: asyncio.WriteTransport) -> None:
    """Keep the system's buffer of a connection small, so that what arrives is news."""
    sock = transport.get_extra_info("socket")
    if sock is not None:
        with contextlib.suppress(OSError):
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, KERNEL_BYTES)
