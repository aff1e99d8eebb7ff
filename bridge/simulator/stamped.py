"""A UDP socket that knows when the kernel had each datagram. I/O.

Who reads late, because the machine is busy, must not judge the sender by the time of reading. Linux
stamps datagrams as they arrive (socket(7), SO_TIMESTAMPNS); elsewhere the time of reading stands.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import struct
import sys
import time
from collections.abc import Callable

SO_TIMESTAMPNS = 35
"""Linux: include/uapi/asm-generic/socket.h, SO_TIMESTAMPNS_OLD, which has a struct timespec."""

DATAGRAMS_AT_ONCE = 256
"""Datagrams read in one turn; a console also has to answer."""

BUFFER_BYTES = 4 << 20
"""Room asked for in the kernel: what comes while the reader has no turn."""

_TIMESPEC = struct.Struct("@qq" if sys.maxsize > 2**32 else "@ll")
_LARGEST = 65_536

Heard = Callable[[bytes, tuple[str, int], float], object]
"""Takes a datagram: its bytes, who sent it, when it arrived (the loop's clock, s)."""


class StampedUdp:
    """A UDP socket in the running loop.

    Args:
        heard: Takes each datagram, in the order of arrival; times never run backwards.

    Raises:
        OSError: the address cannot be used.
    """

    def __init__(self, host: str, port: int, heard: Heard) -> None:
        self._loop, self._heard = asyncio.get_running_loop(), heard
        family = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)[0][0]
        self._socket = socket.socket(family, socket.SOCK_DGRAM)
        try:
            self._socket.setblocking(False)
            self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, BUFFER_BYTES)
            if sys.platform == "linux":
                with contextlib.suppress(OSError):
                    self._socket.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
            self._socket.bind((host, port))
        except OSError:
            self._socket.close()
            raise
        self._last_s = float("-inf")
        self._loop.add_reader(self._socket, self.read)

    @property
    def address(self) -> tuple[str, int]:
        """Where it listens."""
        host, port = self._socket.getsockname()[:2]
        return host, port

    def send(self, data: bytes, to: tuple[str, int]) -> None:
        """Send a datagram; what the system does not take is lost, as on a network."""
        with contextlib.suppress(OSError):
            self._socket.sendto(data, to)

    def close(self) -> None:
        """Stop listening."""
        if self._socket.fileno() >= 0:
            self._loop.remove_reader(self._socket)
            self._socket.close()

    def read(self, most: int = DATAGRAMS_AT_ONCE) -> None:
        """Take what has arrived, up to so many datagrams."""
        room = socket.CMSG_SPACE(_TIMESPEC.size)
        for _ in range(most):
            try:
                data, about, _, source = self._socket.recvmsg(_LARGEST, room)
            except OSError:  # nothing waits, or somebody's port was closed: ICMP tells it here
                return
            now_s = self._loop.time()
            # Both clocks are read now: a calendar that is put right costs one datagram at most.
            late_s = max((time.time() - stamp for stamp in _stamps(about)), default=0.0)
            self._last_s = min(now_s, max(self._last_s, now_s - max(0.0, late_s)))
            self._heard(data, source[:2], self._last_s)
            if self._socket.fileno() < 0:
                return


def _stamps(about: list[tuple[int, int, bytes]]) -> list[float]:
    """When the kernel had it, Unix time, s."""
    found = [data for level, kind, data in about
             if (level, kind) == (socket.SOL_SOCKET, SO_TIMESTAMPNS)]  # fmt: skip
    parts = [_TIMESPEC.unpack(data) for data in found if len(data) == _TIMESPEC.size]
    return [seconds + nanoseconds * 1e-9 for seconds, nanoseconds in parts]
