"""Datagrams that no controller should send, and one that it might."""

from __future__ import annotations

import socket


def strays(port: int, host: str, *datagrams: bytes) -> int:
    """Send datagrams from a loopback address of choice; answers the port that they came from."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind((host, 0))
        for data in datagrams:
            sock.sendto(data, ("127.0.0.1", port))
        return int(sock.getsockname()[1])


def bundle(*parts: bytes) -> bytes:
    """OSC 1.0, "OSC Bundles": the word, the time tag for at once, then sized elements."""
    sized = [len(part).to_bytes(4, "big") + part for part in parts]
    return b"#bundle\0" + bytes(7) + b"\x01" + b"".join(sized)


def _deep(depth: int) -> bytes:
    data = LOUD
    for _ in range(depth):
        data = bundle(data)
    return data


def _level(bits: str, tag: bytes = b"f") -> bytes:
    """A level with these bytes for its argument."""
    return b"/my/1/level\0," + tag + b"\0\0" + bytes.fromhex(bits)


LOUD = _level("3f800000")
"""Well formed (OSC 1.0: address and tags padded to fours, 1.0 as IEEE 754 big-endian)."""

RUBBISH = (
    b"",
    b"\0",
    b"/",
    b"hello there, console",
    LOUD[:-1],  # a float cut short
    LOUD[:-4],  # no float at all
    LOUD + b"\0",  # not a multiple of four
    LOUD + bytes(4),  # more arguments than tags
    b"/my/1/level\0\0\0\0f",  # no comma before the tags
    b"/my/1/level",  # no end of the address
    _level("7fc00000"),  # NaN (IEEE 754)
    _level("7f800000"),  # infinity
    _level("ff800000"),
    _level("7f7fffff"),  # the largest float
    _level("3fc00000"),  # a travel of 1.5
    _level("3f800000", b"Q"),  # a tag that OSC does not know
    _level("3f800000", b"["),  # a list that never ends
    b"/my/1/level\0,b\0\0\xff\xff\xff\xff",  # a blob of -1 bytes
    b"/my/1/level\0,s\0\0one\0",  # a word where a number belongs
    b"/" + b"*{a,b}" * 200 + b"\0\0\0\0,f\0\0\x3f\x80\0\0",  # a pattern that could take for ever
    bundle(LOUD)[:-4],
    b"#bundle\0" + bytes(7) + b"\x01\xff\xff\xff\xff",  # an element of -1 bytes
    b"#bundle\0" + bytes(7) + b"\x01\0\0\x10\0" + LOUD,  # an element longer than the datagram
    _deep(200),
    b"/my/1/level\0,f" + b"f" * 8000 + bytes(2),
    bytes(65507),  # the longest datagram of IPv4: 65535 bytes less its headers (RFC 791, RFC 768)
    bytes(range(256)) * 16,
)
