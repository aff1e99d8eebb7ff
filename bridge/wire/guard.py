"""The gate before the OSC codec: bounds, reasons, and bundles taken apart unread. Pure.

A packet is a message (first byte ``/``) or a bundle (``#bundle``, a time tag, then elements, each
behind its size); OSC 1.0, "OSC Packets" and "OSC Bundles". Bundles nest, so a sender decides how
deep a recursive reader would fall, and a size below zero makes a trusting one walk backwards for
ever. Here sizes are checked against the bytes that are left, and nothing is recursive.
"""

from __future__ import annotations

from struct import Struct
from typing import Final, NoReturn

from bridge.errors import WireError

PACKET_BYTES_MAX: Final = 8192
"""Largest packet, bytes. About 200 messages with a float fit; what controllers and consoles send
stays below one Ethernet frame (1,500 bytes), and a larger one would cost milliseconds to read."""

BUNDLE_DEPTH_MAX: Final = 8
"""Deepest nesting of bundles. Senders nest once or twice."""

MESSAGES_MAX: Final = 512
"""Most messages in one packet; the largest packet holds no more of useful size."""

TAGS_MAX: Final = 1024
"""Longest type tag string. Tags as ``T`` take no more bytes, so a packet could hold thousands."""

ARRAY_DEPTH_MAX: Final = 8
"""Deepest nesting of arrays; printing or comparing deep tuples is recursive."""

IMMEDIATELY: Final = 1
"""The time tag that means now: 63 zero bits and a one (OSC 1.0, "OSC Time Tags")."""

TOO_LONG: Final = "packet is too long"
EMPTY: Final = "packet is empty"
NOT_ALIGNED: Final = "size is not a multiple of 4"
NOT_OSC: Final = "neither a message nor a bundle"
BUNDLE_SHORT: Final = "bundle has no time tag"
ELEMENT_SIZE: Final = "bundle element size is wrong"
TOO_DEEP: Final = "bundles are nested too deep"
TOO_MANY: Final = "too many messages"
TAG_ORDER: Final = "time tag is earlier than the enclosing one"
"""Reasons of a ``WireError``: the same words for the same cause, so that they can be counted."""

BUNDLE_HEAD: Final = b"#bundle\0"
_BUNDLE_BYTES: Final = 16
_SIZE: Final = Struct(">i")
_TIME_TAG: Final = Struct(">Q")
_SLASH: Final = ord("/")

Element = tuple[int, int, int]
"""Where a message stands in its packet: start, stop, time tag."""


def refuse(reason: str) -> NoReturn:
    """Say that bytes are no message.

    Raises:
        WireError: always.
    """
    raise WireError(reason)


def check_size(data: bytes, bytes_max: int = PACKET_BYTES_MAX) -> None:
    """Let only packets pass whose size OSC allows: 4, 8, .. ``bytes_max`` bytes.

    Raises:
        WireError: ``TOO_LONG``, ``EMPTY`` or ``NOT_ALIGNED``.
    """
    size = len(data)
    if size > bytes_max:
        refuse(TOO_LONG)
    if size == 0:
        refuse(EMPTY)
    if size & 3:
        refuse(NOT_ALIGNED)


def elements(data: bytes, bytes_max: int = PACKET_BYTES_MAX) -> list[Element]:
    """Find the messages of a packet in sending order, without reading them.

    Each has the time tag of the innermost bundle around it; a lone message has ``IMMEDIATELY``.

    Raises:
        WireError: the packet's sizes, nesting or time tags are wrong; then no part of it counts.
    """
    check_size(data, bytes_max)
    if data[0] == _SLASH:
        return [(0, len(data), IMMEDIATELY)]
    found: list[Element] = []
    enclosing: list[tuple[int, int]] = []
    at, stop, tag = _BUNDLE_BYTES, len(data), _time_tag(data, 0, len(data))
    while True:
        if at == stop:
            if not enclosing:
                return found
            stop, tag = enclosing.pop()
            continue
        start, end = _element(data, at, stop)
        if data[start] == _SLASH:
            found.append((start, end, tag))
            at = end
        else:
            inner = _time_tag(data, start, end)
            if inner < tag:
                refuse(TAG_ORDER)
            enclosing.append((stop, tag))
            at, stop, tag = start + _BUNDLE_BYTES, end, inner
        _check_counts(found, enclosing)


def messages(data: bytes, bytes_max: int = PACKET_BYTES_MAX) -> list[tuple[int, bytes]]:
    """The messages of a packet as ``(time tag, bytes)``, unread, so that they can be kept.

    Raises:
        WireError: as ``elements``.
    """
    return [(tag, data[start:stop]) for start, stop, tag in elements(data, bytes_max)]


def _element(data: bytes, at: int, stop: int) -> tuple[int, int]:
    """Start and end of the element whose size stands at ``at``; ``stop`` ends its bundle."""
    start = at + 4  # both are multiples of 4 and at < stop, so the size is there
    (size,) = _SIZE.unpack_from(data, at)
    if not 0 < size <= stop - start or size & 3:
        refuse(ELEMENT_SIZE)
    return start, start + size


def _time_tag(data: bytes, start: int, stop: int) -> int:
    """Time tag of the bundle that fills ``start``..``stop``."""
    if not data.startswith(BUNDLE_HEAD, start, stop):
        refuse(NOT_OSC)
    if stop - start < _BUNDLE_BYTES:
        refuse(BUNDLE_SHORT)
    tag: int = _TIME_TAG.unpack_from(data, start + len(BUNDLE_HEAD))[0]
    return tag


def _check_counts(found: list[Element], enclosing: list[tuple[int, int]]) -> None:
    if len(found) > MESSAGES_MAX:
        refuse(TOO_MANY)
    if len(enclosing) >= BUNDLE_DEPTH_MAX:
        refuse(TOO_DEEP)
