"""One TCP connection: packets in, packets out, bounded both ways. I/O."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Callable
from typing import TypeAlias, cast

from bridge.errors import WireError
from bridge.links.base import WRITE_BUFFER_BYTES_MAX, Source
from bridge.wire.framing import Framing, SizeFraming, SlipFraming

READ_BYTES = 16 * 1024
"""Bytes read in one go: some five hundred messages, few milliseconds of work."""

SYSTEM_BUFFER_BYTES = 64 * 1024
"""Asked of the system for sent bytes on their way. It would keep megabytes for a peer that does not
read, all of them levels of long ago when it reads on."""

UNANSWERED_MS = 10_000
"""After this long without the peer's system taking what was sent, the connection counts as lost: a
pulled cable says nothing by itself."""

NOT_CONNECTED, NOT_READING = "not connected", "not reading"

_FRAMINGS: dict[str, type[Framing]] = {"size": SizeFraming, "slip": SlipFraming}

Heard: TypeAlias = Callable[["Connection", list[bytes]], None]


def _welcome(connection: Connection) -> bool:
    """Let every connection in."""
    return True


def _forget(connection: Connection) -> None:
    """Take no notice of an end."""


class Connection(asyncio.BufferedProtocol):
    """The bytes of one connection, cut into packets.

    Attributes:
        source: The other end's address.
        ended: Set when the connection is over.
        violation: What the other end did against the framing, empty while it behaves.
        fault: What the system said about the end, empty for an orderly one.
    """

    def __init__(
        self,
        framing: str,
        heard: Heard,
        joined: Callable[[Connection], bool] = _welcome,
        left: Callable[[Connection], None] = _forget,
    ) -> None:
        """Prepare for one connection.

        Args:
            framing: ``size`` or ``slip``.
            heard: Takes packets that arrived together.
            joined: Asked once at the begin; False ends the connection at once.
            left: Told once at the end.
        """
        self._framing = _FRAMINGS[framing]()
        self._heard, self._joined, self._left = heard, joined, left
        self._transport: asyncio.Transport | None = None
        self._buffer = bytearray(READ_BYTES)
        self.ended = asyncio.Event()
        self.source: Source = ""
        self.violation = self.fault = ""
        self._told = 0

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Set the connection up, if it is welcome."""
        self._transport = cast(asyncio.Transport, transport)
        self.source = transport.get_extra_info("peername") or ""
        _tune(transport.get_extra_info("socket"))
        if not self._joined(self):
            self.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        """Remember why, and tell."""
        self.fault = "" if exc is None else str(exc) or type(exc).__name__
        self._left(self)
        self.ended.set()

    def get_buffer(self, sizehint: int) -> bytearray:
        """Where the next bytes go."""
        return self._buffer

    def buffer_updated(self, nbytes: int) -> None:
        """Cut what came into packets; a broken framing ends the connection."""
        if self._transport is None or self._transport.is_closing():
            return
        try:
            packets = self._framing.feed(bytes(self._buffer[:nbytes]))
            if packets or self._framing.violations > self._told:
                self._heard(self, packets)
            self._framing.feed(b"")  # a fault behind good packets shows only now
        except WireError as fault:
            self.violation = fault.reason
            self.abort()

    def skipped(self) -> int:
        """Frames skipped since the last call because they broke the framing's rules."""
        before, self._told = self._told, self._framing.violations
        return self._told - before

    def write(self, packet: bytes) -> str:
        """Send one packet.

        Returns:
            Empty, or why not a byte of it leaves: ``not connected``, ``not reading`` (too much
            waits already), or what makes it no packet.
        """
        transport = self._transport
        if transport is None or transport.is_closing():
            return NOT_CONNECTED
        try:
            framed = self._framing.frame(packet)
        except WireError as fault:
            return fault.reason
        if transport.get_write_buffer_size() + len(framed) > WRITE_BUFFER_BYTES_MAX:
            return NOT_READING
        transport.write(framed)
        return ""

    def abort(self) -> None:
        """End the connection now; what waits to be sent is forgotten."""
        if self._transport is not None:
            self._transport.abort()


def _tune(sock: socket.socket) -> None:
    """Prefer fresh levels over throughput; what a system does not know is left alone."""
    options = [
        (socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),
        (socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1),
        (socket.SOL_SOCKET, socket.SO_SNDBUF, SYSTEM_BUFFER_BYTES),
    ]
    if hasattr(socket, "TCP_USER_TIMEOUT"):
        options.append((socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, UNANSWERED_MS))
    for level, option, value in options:
        with contextlib.suppress(OSError):
            sock.setsockopt(level, option, value)
