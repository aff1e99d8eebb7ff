"""OSC messages and bundles: bytes to messages and back. Pure.

``decode`` believes nothing: sizes, nesting and time tags are checked by ``guard`` before anything
is read, and every argument must be there as its tag promises. A packet with one fault is refused
whole, because a sender that is wrong about one size is wrong about all that follows; only a message
with an unknown type tag is left out alone (OSC 1.0, "OSC Type Tag String").

The head of a message (address and type tags, as bytes) is always the same for one control, so what
it means is kept: a message with one float then costs one look-up and one ``struct`` call.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from struct import Struct
from struct import error as StructError
from typing import Any, Final, NamedTuple

from bridge.errors import WireError
from bridge.wire import osc_tags as reasons
from bridge.wire.guard import (
    BUNDLE_HEAD,
    IMMEDIATELY,
    NOT_OSC,
    PACKET_BYTES_MAX,
    TOO_LONG,
    check_size,
    elements,
    refuse,
)
from bridge.wire.osc_read import finite, read, read_string
from bridge.wire.osc_tags import IMPULSE, Impulse, check_tags, packer
from bridge.wire.osc_write import encode_f32_down, write, write_string
from bridge.wire.pattern import compile_pattern

__all__ = [
    "IMMEDIATELY",
    "IMPULSE",
    "Impulse",
    "OscMessage",
    "bundle",
    "decode",
    "encode",
    "encode_f32_down",
    "finite",
    "header",
]

ADDRESS: Final = "address is wrong"
NO_COMMA: Final = "type tag string has no comma"
TIME_TAG_RANGE: Final = "time tag is not 0..2**64 - 1"
"""Reasons of a ``WireError``; the others stand in ``guard`` and ``osc_tags``."""

HEADS_KEPT: Final = 4096
"""Heads whose meaning is kept, in each direction: a matrix of 64 channels and 32 buses has 2,048
sends. Beyond that the ones not heard for longest are forgotten, and cost a little time again."""

HEAD_BYTES_KEPT: Final = 256
"""Longest head that is kept, so that a sender of rubbish can fill no more than a megabyte."""

TIME_TAG_MAX: Final = 2**64 - 1

_SPACE, _TILDE = 0x20, 0x7E
_SIZE: Final = Struct(">i")
_TIME_TAG: Final = Struct(">Q")


class OscMessage(NamedTuple):
    """One message.

    Attributes:
        address: Address, or address pattern; printable ASCII that starts with ``/``.
        tags: Type tags without their comma.
        args: One value for each tag, an array counting as one (types: see ``osc_tags``). Floats
            may be infinite or not a number: ask ``finite``.
        time_tag: Time tag of the innermost bundle around it; 1 is immediately.
    """

    address: str
    tags: str
    args: tuple[Any, ...]
    time_tag: int = IMMEDIATELY


_new = tuple.__new__  # what OscMessage(..) does, 0.16 us sooner


def decode(data: bytes, *, discarded: list[str] | None = None) -> list[OscMessage]:
    """Read a packet: a message, or a bundle of them in sending order.

    Args:
        data: One whole packet.
        discarded: Gets a reason for every message of a bundle that is left out because of an
            unknown type tag.

    Returns:
        The messages; none for an empty bundle.

    Raises:
        WireError: the packet is no OSC, too large, or wrong in any part.
    """
    if data[:1] == b"/":
        check_size(data)
        return [_message(data, IMMEDIATELY)]
    found = []
    for start, stop, time_tag in elements(data):
        try:
            found.append(_message(data[start:stop], time_tag))
        except WireError as error:
            if error.reason != reasons.UNKNOWN_TAG:
                raise
            if discarded is not None:
                discarded.append(error.reason)
    return found


def encode(address: str, tags: str = "", args: Iterable[Any] = ()) -> bytes:
    """Write a message.

    Args:
        address: Address, or a well-formed address pattern.
        tags: Type tags without comma.
        args: One value for each tag, those of ``T F N I`` included, an array counting as one.

    Raises:
        WireError: an address that OSC does not allow, or values that do not suit the tags; not a
            number never suits.
    """
    head, form = _writing(address, tags)
    values = tuple(args)
    packet = head + (write(tags, values) if form is None else _packed(form, tags, values))
    if len(packet) > PACKET_BYTES_MAX:
        refuse(TOO_LONG)
    return packet


def header(address: str, tags: str) -> bytes:
    """The bytes of a message before its arguments, to be kept for messages that are sent often.

    Raises:
        WireError: as ``encode``.
    """
    return _writing(address, tags)[0]


def bundle(time_tag: int, packets: Iterable[bytes]) -> bytes:
    """Write a bundle of packets: messages, or bundles that are not dated earlier.

    Args:
        time_tag: ``IMMEDIATELY``, or see ``timetag.time_tag``.
        packets: What ``encode`` and ``bundle`` answered.

    Raises:
        WireError: a bundle that ``decode`` would refuse, for the same reason.
    """
    if not 0 <= time_tag <= TIME_TAG_MAX:
        refuse(TIME_TAG_RANGE)
    parts = [BUNDLE_HEAD, _TIME_TAG.pack(time_tag)]
    for packet in packets:
        check_size(packet)
        parts += (_SIZE.pack(len(packet)), packet)
    whole = b"".join(parts)
    elements(whole)
    return whole


def _message(data: bytes, time_tag: int) -> OscMessage:
    """Read one message, aligned and not longer than a packet may be."""
    close = data.find(b"\0", (data.find(b"\0") | 3) + 1)
    at = (close | 3) + 1 if close >= 0 else len(data)
    head = data[:at]
    address, tags, form = _meaning(head) if at <= HEAD_BYTES_KEPT else _parsed(head)
    if form is None:
        return OscMessage(address, tags, read(tags, data, at), time_tag)
    missing = form.size - len(data) + at
    if missing:
        refuse(reasons.ARGUMENT_SHORT if missing > 0 else reasons.LEFT_OVER)
    return _new(OscMessage, (address, tags, form.unpack_from(data, at), time_tag))


def _parsed(head: bytes) -> tuple[str, str, Struct | None]:
    """Address, type tags, and the ``struct`` of the arguments where one can read them all."""
    raw, at = read_string(head, 0)
    if raw[:1] != b"/":
        refuse(NOT_OSC)
    if min(raw) < _SPACE or max(raw) > _TILDE:
        refuse(ADDRESS)
    if at == len(head):  # older senders leave the type tag string out (OSC 1.0, same section)
        return raw.decode("ascii"), "", packer("")
    if head[at] != ord(","):
        refuse(NO_COMMA)
    tags = read_string(head, at)[0][1:].decode("latin-1")
    check_tags(tags)
    return raw.decode("ascii"), tags, packer(tags)


_meaning = lru_cache(maxsize=HEADS_KEPT)(_parsed)


@lru_cache(maxsize=HEADS_KEPT)
def _writing(address: str, tags: str) -> tuple[bytes, Struct | None]:
    """Head of a message, and the ``struct`` of its arguments where one can write them all."""
    check_address(address)
    check_tags(tags)
    form = None if "m" in tags else packer(tags)  # struct would pad short bytes without a word
    return write_string(address) + write_string("," + tags), form


def check_address(address: str) -> None:
    """Let only addresses pass that may be sent: OSC 1.0, "OSC Address Spaces", and its patterns.

    Raises:
        WireError: no ``/`` at the start, anything but printable ASCII, a space, a ``#``, or a
            pattern that matches nothing because it is malformed.
    """
    printable = address.isascii() and address.isprintable()
    if not (address.startswith("/") and printable) or " " in address or "#" in address:
        refuse(ADDRESS)
    if compile_pattern(address).flaw:
        refuse(ADDRESS)


def _packed(form: Struct, tags: str, values: tuple[Any, ...]) -> bytes:
    for value in values:
        if value != value:
            refuse(reasons.NOT_A_NUMBER)
    try:
        return form.pack(*values)
    except (StructError, OverflowError):
        return write(tags, values)  # finds out which value it was and why
