"""MIDI 1.0 bytes to complete messages: running status, nested real time, bounded sysex. Pure.

Facts: MIDI 1.0 Detailed Specification 4.2 (IEC 63035:2017), "Data Format" and message tables 1-5.
"""

from __future__ import annotations

from typing import Final

SYSEX_BYTES_MAX: Final = 16_384
"""Longest system exclusive message that is kept, F0 and F7 included. No setting of a mix needs a
hundredth of it, and MIDI drivers drop longer ones themselves."""

SYSEX, SYSEX_END = 0xF0, 0xF7

CHANNEL_DATA_BYTES: Final = (2, 2, 2, 2, 1, 1, 2)
"""Data bytes of a channel message by the upper half of its status byte, 8 to E (table 1)."""

COMMON_DATA_BYTES: Final = {0xF1: 1, 0xF2: 2, 0xF3: 1, 0xF6: 0}
"""Data bytes of the system common messages; F4 and F5 are undefined (table 1)."""

REAL_TIME: Final = frozenset((0xF8, 0xFA, 0xFB, 0xFC, 0xFE, 0xFF))
"""Defined system real-time messages, one byte each; F9 and FD are undefined (table 1)."""

_DATA_BYTES: Final = {
    status: CHANNEL_DATA_BYTES[(status >> 4) - 8] for status in range(0x80, 0xF0)
} | COMMON_DATA_BYTES

_TWO_DATA_BYTES: Final = frozenset(
    status for status in range(0x80, 0xF0) if _DATA_BYTES[status] == 2
)


class MidiStream:
    """Cuts one port's bytes into complete messages, each with its own status byte.

    Running status is set by 80..EF, cleared by F0..F7 and untouched by F8..FF; data bytes without a
    status are dropped. A real-time byte inside another message comes out before that message. A
    message that another status byte cuts short is dropped, never completed by guesswork.

    Nothing that is fed raises. What is dropped is counted.

    Attributes:
        dropped: Bytes that became part of no message.
        last_dropped: Why, the last time; empty if never.
    """

    __slots__ = (
        "_held",
        "_implied",
        "_limit",
        "_missing",
        "_running",
        "_sysex_bytes_max",
        "_too_long",
        "dropped",
        "last_dropped",
    )

    def __init__(self, sysex_bytes_max: int = SYSEX_BYTES_MAX) -> None:
        """Start with an empty memory; ``sysex_bytes_max`` is 2 or more, F0 and F7 included."""
        if not sysex_bytes_max >= 2:
            raise ValueError(f"sysex_bytes_max is {sysex_bytes_max}, expected 2 or more")
        self._sysex_bytes_max = sysex_bytes_max
        self.dropped = 0
        self.last_dropped = ""
        self.clear()

    def clear(self) -> None:
        """Forget an unfinished message and the running status, as after a reconnect."""
        self._running = 0
        self._held = bytearray()
        self._implied = 0
        self._missing = 0
        self._too_long = False

    def feed(self, data: bytes) -> list[bytes]:
        """Take bytes as they come; answer the messages that they complete, in order."""
        if (
            len(data) == 3
            and not self._held
            and not self._too_long
            and data[0] in _TWO_DATA_BYTES
            and data[1] < 0x80 > data[2]
        ):
            self._running = data[0]
            return [bytes(data)]
        out: list[bytes] = []
        for byte in data:
            if byte < 0x80:
                self._take_data(byte, out)
            elif byte >= 0xF8:
                self._take_real_time(byte, out)
            else:
                self._take_status(byte, out)
        return out

    def _take_data(self, byte: int, out: list[bytes]) -> None:
        held = self._held
        if self._too_long:
            self.dropped += 1
        elif held and held[0] == SYSEX:
            self._take_sysex_data(byte)
        elif not held and not self._running:
            self._drop(1, "data without a status")
        else:
            if not held:
                held.append(self._running)
                self._implied = 1
                self._missing = _DATA_BYTES[self._running]
            held.append(byte)
            self._missing -= 1
            self._finish(out)

    def _take_sysex_data(self, byte: int) -> None:
        if len(self._held) + 2 <= self._sysex_bytes_max:
            self._held.append(byte)
            return
        self._too_long = True
        self._drop(len(self._held) + 1, "sysex too long")
        self._held.clear()

    def _take_real_time(self, byte: int, out: list[bytes]) -> None:
        if byte in REAL_TIME:
            out.append(bytes((byte,)))
        else:
            self._drop(1, "undefined real-time status")

    def _take_status(self, byte: int, out: list[bytes]) -> None:
        if byte == SYSEX_END:
            self._running = 0
            self._end_sysex(out)
            return
        self._drop_held()
        self._too_long = False
        self._running = byte if byte < 0xF0 else 0
        if byte == SYSEX:
            self._held.append(byte)
        elif byte in _DATA_BYTES:
            self._held.append(byte)
            self._missing = _DATA_BYTES[byte]
            self._finish(out)
        else:
            self._drop(1, "undefined status")

    def _end_sysex(self, out: list[bytes]) -> None:
        held = self._held
        if held and held[0] == SYSEX:
            out.append(bytes(held) + b"\xf7")
            held.clear()
        elif self._too_long:
            self.dropped += 1
        else:
            self._drop_held()
            self._drop(1, "end of a sysex that never began")
        self._too_long = False

    def _finish(self, out: list[bytes]) -> None:
        if self._missing == 0:
            out.append(bytes(self._held))
            self._held.clear()

    def _drop_held(self) -> None:
        held = self._held
        if held:
            reason = "sysex cut short" if held[0] == SYSEX else "message cut short"
            self._drop(len(held) - self._implied, reason)
            held.clear()
        self._implied = 0

    def _drop(self, count: int, reason: str) -> None:
        self.dropped += count
        self.last_dropped = reason
