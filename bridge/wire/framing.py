"""OSC packets on a byte stream: where one ends and the next one starts. Pure.

    SizeFraming   a 32-bit size before each packet (OSC 1.0, "OSC Packets")
    SlipFraming   SLIP with END before and after each packet (OSC 1.1, Freed and Schmeder, NIME
                  2009; RFC 1055)

Bytes come in pieces of any size. Empty frames mean nothing and are skipped. A frame that breaks the
rules is skipped whole and counted: half of a level may be a louder one. A stream whose next packet
cannot be found any more, or is larger than allowed, ends in ``WireError``: drop the connection.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from struct import Struct
from typing import Final

from bridge.errors import WireError
from bridge.wire.guard import EMPTY, PACKET_BYTES_MAX, TOO_LONG, refuse

END, ESC, ESC_END, ESC_ESC = b"\xc0", b"\xdb", b"\xdc", b"\xdd"
"""The special bytes of SLIP (RFC 1055)."""

FRAME_SIZE: Final = "size before a packet is negative"
ANOTHER_PROTOCOL: Final = "stream begins like a request over HTTP"
"""Reasons of a ``WireError``."""

_CAPITALS: Final = frozenset(b"ABCDEFGHIJKLMNOPQRSTUVWXYZ")

_SIZE: Final = Struct(">i")


class Framing(ABC):
    """The receiving and the sending half of one connection's framing.

    Attributes:
        violations: Frames that were skipped because they broke the rules.
    """

    def __init__(self, bytes_max: int = PACKET_BYTES_MAX) -> None:
        self._bytes_max = bytes_max
        self._rest = bytearray()
        self._fault = ""
        self.violations = 0

    def feed(self, data: bytes) -> list[bytes]:
        """Take bytes as they come, and answer with the packets that are complete now.

        Raises:
            WireError: drop the connection. Packets before the fault are answered first; the error
                then comes with the next bytes, whatever they are.
        """
        if self._fault:
            refuse(self._fault)
        self._rest += data
        packets: list[bytes] = []
        try:
            self._take(packets)
        except WireError as error:
            self._fault = error.reason
            if not packets:
                raise
        return packets

    def frame(self, packet: bytes) -> bytes:
        """The bytes to send for one packet.

        Raises:
            WireError: the packet is empty or larger than the other end should have to take.
        """
        if not packet:
            refuse(EMPTY)
        if len(packet) > self._bytes_max:
            refuse(TOO_LONG)
        return self._framed(packet)

    @abstractmethod
    def _take(self, packets: list[bytes]) -> None:
        """Move complete packets from ``_rest`` to ``packets``."""

    @abstractmethod
    def _framed(self, packet: bytes) -> bytes:
        """A packet that was found good, ready to send."""


class SizeFraming(Framing):
    """A signed 32-bit size before each packet (OSC 1.0); sizes are multiples of 4."""

    def _take(self, packets: list[bytes]) -> None:
        at, got = 0, len(self._rest)
        while got - at >= _SIZE.size:
            (size,) = _SIZE.unpack_from(self._rest, at)
            if size < 0:
                refuse(FRAME_SIZE)
            if size > self._bytes_max:
                refuse(TOO_LONG)
            start, end = at + _SIZE.size, at + _SIZE.size + size
            if end > got:
                break
            if size & 3:
                self.violations += 1
            elif size:
                packets.append(bytes(self._rest[start:end]))
            at = end
        del self._rest[:at]

    def _framed(self, packet: bytes) -> bytes:
        return _SIZE.pack(len(packet)) + packet


class SlipFraming(Framing):
    """SLIP with END at both ends of each packet (OSC 1.1).

    What stands before the first END is taken for a packet too, as older SLIP senders put END behind
    packets only; if it is noise, the codec refuses it.

    A stream that begins with a capital letter is given up: so begins a request over HTTP (RFC 9112,
    section 3.1), and no OSC. A web page can have the browser of whoever looks at it send any bytes
    behind such a beginning, from an address that may speak here. (Sizes are safe from that: four
    letters are far too large a size.)
    """

    _begun = False

    def _take(self, packets: list[bytes]) -> None:
        if self._rest and not self._begun:
            if self._rest[0] in _CAPITALS:
                refuse(ANOTHER_PROTOCOL)
            self._begun = True
        *frames, self._rest = self._rest.split(END)
        for frame in frames:
            self._check_raw(frame)
            packet = _unescaped(frame)
            if packet is None:
                self.violations += 1
                continue
            if len(packet) > self._bytes_max:
                refuse(TOO_LONG)
            if packet:
                packets.append(packet)
        self._check_raw(self._rest)

    def _check_raw(self, frame: bytearray) -> None:
        """Whether a frame, complete or not, is too long even if every byte of it is escaped."""
        if len(frame) > 2 * self._bytes_max:
            refuse(TOO_LONG)

    def _framed(self, packet: bytes) -> bytes:
        escaped = packet.replace(ESC, ESC + ESC_ESC).replace(END, ESC + ESC_END)
        return END + escaped + END


_MEANING: Final = {ESC_END: END, ESC_ESC: ESC}


def _unescaped(frame: bytearray) -> bytes | None:
    """The packet in a frame, or ``None`` if an ESC stands before anything but its two partners.

    RFC 1055's sample receiver keeps such a byte; then a packet with an error would act.
    """
    first, *others = bytes(frame).split(ESC)
    parts = [first]
    for other in others:
        meaning = _MEANING.get(other[:1])
        if meaning is None:
            return None
        parts += (meaning, other[1:])
    return b"".join(parts)
