"""What the bridge and its MIDI helper say to each other, as bytes. Pure.

A frame is the size of what follows (16 bits, big-endian), its kind, the number of a port, and a
body. One frame fits into one atomic write to a pipe (POSIX.1, ``write``, ``PIPE_BUF``), so that
the driver's thread and the helper's own never cut into each other's words.
"""

from __future__ import annotations

import struct

MESSAGE_BYTES_MAX = 4000
"""Longest MIDI message carried, in bytes: under the 4,096 of a pipe's atomic write on Linux. Moves
on a mix take at most some tens; longer ones are dumps of whole memories."""

PORTS_MAX = 256
"""Ports that one helper holds open: their number is one byte."""

# from the bridge
PING, OPEN, CLOSE, SEND = 1, 2, 3, 4
# from the helper
PONG, LISTED, UP, OPENED, FAILED, HEARD, BUSY = 65, 66, 67, 68, 69, 70, 71

BUSY_S = 10.0
"""Between two BUSY frames, whose bodies say 1 and 0, a helper may be silent for so long: it opens
or closes a port at a driver that takes its time. To kill it then would leave the driver with the
remains, and take it even more time."""

INPUT, OUTPUT, VIRTUAL_INPUT, VIRTUAL_OUTPUT = 0, 1, 2, 3
"""What an OPEN asks for: the first byte of its body; then the twin's number (0 is the first of that
name), then the name."""

_HEAD = struct.Struct(">HBB")
_COUNT = struct.Struct(">I")


def frame(kind: int, port: int = 0, body: bytes = b"") -> bytes:
    """One frame; the body is cut where the longest frame ends."""
    body = body[:MESSAGE_BYTES_MAX]
    return _HEAD.pack(len(body) + 2, kind, port) + body


def count_body(count: int) -> bytes:
    """A number as the body of a PING or a PONG."""
    return _COUNT.pack(count & 0xFFFFFFFF)


def body_count(body: bytes) -> int:
    """The number in the body of a PING or a PONG; 0 if there is none."""
    return int(_COUNT.unpack_from(body)[0]) if len(body) >= _COUNT.size else 0


def open_body(what: int, twin: int, name: str) -> bytes:
    """The body of an OPEN."""
    return bytes((what, min(twin, 255))) + name.encode("utf-8", "surrogateescape")


def open_wish(body: bytes) -> tuple[int, int, str]:
    """What an OPEN asks for: kind of port, twin's number, name."""
    return body[0], body[1], text(body[2:])


def text(body: bytes) -> str:
    """A name or a reason in a body."""
    return body.decode("utf-8", "surrogateescape")


class Frames:
    """Cuts a stream of bytes into frames."""

    def __init__(self) -> None:
        self._rest = b""

    def feed(self, data: bytes) -> list[tuple[int, int, bytes]]:
        """Take the next bytes; answer the complete frames: kind, port, body."""
        data = self._rest + data
        frames, at, size = [], 0, len(data)
        while at + 4 <= size:
            length, kind, port = _HEAD.unpack_from(data, at)
            end = at + 2 + length
            if end > size:
                break
            frames.append((kind, port, data[at + 4 : end]))
            at = end
        self._rest = data[at:]
        return frames
