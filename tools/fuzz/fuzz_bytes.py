"""Damaged bytes, fast: a seeded mutator, and what it starts from. Pure."""

from __future__ import annotations

import random
import struct
from collections.abc import Callable, Iterable, Sequence

from bridge.wire import midi_encode, osc
from bridge.wire.osc_tags import IMPULSE
from bridge.wire.timetag import time_tag

NOW_UNIX_S = 1_700_000_000.0
"""The calendar of every run: time tags speak of it."""

WORDS = tuple(
    struct.pack(form, value)
    for form, value in (
        (">I", 0), (">I", 1), (">I", 4), (">I", 20), (">I", 0x7FFFFFFF), (">I", 0x80000000),
        (">I", 0xFFFFFFFF), (">I", 0xFFFFFFFC), (">f", float("nan")), (">f", float("inf")),
        (">f", float("-inf")), (">f", 3.4e38), (">f", -3.4e38), (">f", 1e-45), (">f", -0.0),
        (">f", 1.0), (">f", 20.0), (">f", -90.0), (">I", 0x2C660000), (">I", 0x2C695B5D),
    )
)  # fmt: skip
"""What replaces four bytes: sizes, numbers at their ends, type tags."""

BYTES = (
    b"\x00\x01\x7f\x80\xff#*,/?[]{}!-fisbhtdTFNI\xf0\xf7\xf8\xfe\xb0\x90\xc0\xe0\x06\x26\x62\x63"
)
"""What replaces one byte."""

BYTES_MAX = 65_536
"""No datagram is longer; what grows beyond is cut."""

Change = Callable[[bytearray, int], None]


def _flip(data: bytearray, bits: int) -> None:
    data[(bits >> 3) % len(data)] ^= 1 << (bits & 7)


def _swap_byte(data: bytearray, bits: int) -> None:
    data[(bits >> 8) % len(data)] = BYTES[(bits & 255) % len(BYTES)]


def _any_byte(data: bytearray, bits: int) -> None:
    data[(bits >> 8) % len(data)] = bits & 255


def _word(data: bytearray, bits: int) -> None:
    at = ((bits >> 8) % len(data)) & ~3
    data[at : at + 4] = WORDS[(bits & 255) % len(WORDS)]


def _cut(data: bytearray, bits: int) -> None:
    del data[(bits >> 4) % len(data) :]


def _drop(data: bytearray, bits: int) -> None:
    at = (bits >> 8) % len(data)
    del data[at : at + 1 + (bits & 15)]


def _double(data: bytearray, bits: int) -> None:
    at = (bits >> 8) % len(data)
    data[at:at] = data[at : at + 1 + (bits & 31)]


def _repeat(data: bytearray, bits: int) -> None:
    at = (bits >> 16) % len(data)
    often = bits & 1023 if bits & 0xF000 == 0 else bits & 15  # long ones are dear, and alike
    data[at:at] = data[at : at + 4] * often


def _insert(data: bytearray, bits: int) -> None:
    at = (bits >> 8) % (len(data) + 1)
    data[at:at] = WORDS[(bits & 255) % len(WORDS)]


def _pad(data: bytearray, bits: int) -> None:
    data += b"\0" * (-len(data) % 4 or 4)


CHANGES: tuple[Change, ...] = (
    _flip, _swap_byte, _any_byte, _word, _cut, _drop, _double, _repeat, _insert, _pad, _flip,
    _swap_byte, _any_byte, _word, _word, _flip,
)  # fmt: skip
"""Sixteen, so that four bits choose one; what damages little stands more than once."""


class Mutator:
    """Makes inputs from a corpus: some whole, some damaged once to four times, some of two halves.

    Args:
        seed: The same seed gives the same inputs.
        corpus: Good inputs.
    """

    def __init__(self, seed: str, corpus: Sequence[bytes]) -> None:
        self._bits = random.Random(seed).getrandbits
        self._corpus = tuple(corpus)

    def make(self) -> bytes:
        """The next input."""
        bits = self._bits(64)
        corpus = self._corpus
        whole = corpus[(bits >> 8) % len(corpus)]
        kind = bits & 7
        if kind == 0:  # what is right comes too, so that there is a state to damage
            return whole
        data = bytearray(whole)
        if kind == 1:
            other = corpus[(bits >> 40) % len(corpus)]
            at = (bits >> 24) % (len(data) + 1)
            data[at:] = other[at:] if bits & 8 else other[(bits >> 52) % (len(other) + 1) :]
        for _ in range(1 + (kind & 3 if kind > 3 else 0)):
            if not data:
                break
            more = self._bits(40)
            CHANGES[more & 15](data, more >> 4)
        return bytes(data[:BYTES_MAX])


# -- what it starts from --------------------------------------------------------------------------

SAID: tuple[tuple[str, str, tuple[object, ...]], ...] = (
    ("/my/1/level", "f", (0.5,)), ("/my/2/level", "f", (1.0,)), ("/my/*/level", "f", (0.9,)),
    ("/my/{1,3}/on", "i", (1,)), ("/my/[1-4]/pan", "f", (0.25,)), ("/my/?/on", "i", (0,)),
    ("/my/master", "f", (0.8,)), ("/my/softer", "", ()), ("/my/wheel", "i", (5,)),
    ("/my/wheel", "i", (-120,)), ("/mix/1/open", "i", (1,)), ("/mix/2/open", "i", (1,)),
    ("/mix/3/open", "i", (1,)), ("/mix/*/mute", "i", (1,)), ("/mix/1/mute", "i", (0,)),
    ("/mix/2/dim", "i", (1,)), ("/mix/1/of/2/on", "i", (1,)), ("/quiet", "i", (0,)),
    ("/quiet", "i", (1,)), ("/mix/1/level", "f", (0.9,)), ("/mix/2/level", "f", (0.4,)),
    ("/mix/3/of/1/level", "f", (1.0,)), ("/mix/*/of/*/level", "f", (0.7,)),
    ("/hold/1", "i", (1,)), ("/hold/1", "i", (0,)),
    ("/all/types", "ifsbhtdScrmTFNI[if]",
     (1, 0.5, "text", b"\1\2\3", 2**40, 1, 0.25, "symbol", "c", 0x01020304,
      b"\0\x90\x40\x40", True, False, None, IMPULSE, (3, 0.75))),
)  # fmt: skip
"""What controllers say of the shipped maps, and one message with every type of OSC 1.0."""


def osc_corpus(more: Iterable[bytes] = ()) -> list[bytes]:
    """Datagrams: messages, and bundles of them now, late, early and nested.

    Args:
        more: Other good datagrams, as a console's.
    """
    plain = [osc.encode(address, tags, values) for address, tags, values in SAID]
    early, late = time_tag(NOW_UNIX_S + 2.0), time_tag(NOW_UNIX_S - 5.0)
    inner = osc.bundle(early, plain[:3])
    bundles = [osc.bundle(1, plain[:4]), inner, osc.bundle(late, plain[6:9]),
               osc.bundle(1, [plain[0], inner]), osc.bundle(1, []),
               osc.bundle(1, [osc.bundle(1, [osc.bundle(1, plain[10:12])])])]  # fmt: skip
    return plain + bundles + list(more)


def midi_corpus(more: Iterable[bytes] = ()) -> list[bytes]:
    """Byte strings as a port hands them on: one message, several, running status, system bytes.

    Args:
        more: Other good messages, as a console's.
    """
    e = midi_encode
    said = [e.note(1, 60, 100), e.note(1, 60, 0), e.control_change(1, 11, 90), e.note(2, 17, 1),
            e.control_change(2, 16, 65), e.control_change(2, 17, 63), e.control_change(1, 64, 127),
            e.program_change(1, 1), e.program_change(1, 2), e.pitch_bend(1, 8000),
            e.channel_pressure(1, 5), e.poly_pressure(1, 60, 7),
            e.control_change_14(1, 7, 9000), e.nrpn(1, 300, 5000), e.rpn(1, 0, 256),
            e.nrpn_step(1, 300, 3), *(e.note(10, number, 100) for number in range(36, 44)),
            e.pitch_bend(2, 16383), e.pitch_bend(1, 0)]  # fmt: skip
    strings = [b"".join(messages) for messages in said]
    strings += [message for messages in said for message in messages]
    strings += [
        b"\xb0\x0b\x10\x20\x0b\x30\x0b\x40",  # running status
        b"\xb0\x0b\xf8\x10\xfe",  # real time inside
        b"\xf0\x7f\x01\x02\x01\x01\x39\x31\x2e\x35\xf7",  # show control: GO 91.5
        b"\xf0\x7d\x01\x01\x02\x40\xf7",
        b"\xf0\x7e\x7f\x06\x01\xf7",
        b"\xf0" + bytes(200) + b"\xf7",
        b"\x63\x02\x62\x2c\x06\x10\x26\x20",
    ]
    return strings + list(more)
