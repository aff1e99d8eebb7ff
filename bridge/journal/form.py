"""The form in which levels are kept: one image in memory, and the same image on the disk. Pure.

    header | told, one number a slot | asked, the same | low, the same | notes

A process that is killed leaves the image in memory as it was between two of its stores, each of
which is one aligned number. A power cut leaves nothing of that; on the disk lie two copies, each
with a sequence number and a checksum, written in turns.
"""

from __future__ import annotations

import hashlib
import math
import struct
import zlib
from array import array
from collections.abc import Sequence
from dataclasses import dataclass

from bridge.mix.matrix import LEVEL, PAN, SOUND
from bridge.rig.layout import KINDS
from bridge.rig.rig import Rig

MAGIC, COPY_MAGIC = b"fold-mem", b"fold-cpy"
SCHEMA = 1
"""Raised whenever the form changes: a bridge reads its own form only."""

HEADER_BYTES = 256
NOTE_BYTES = 262_144
"""Longest note about people: some ten thousand ceilings set live."""

STARTING, STANDS = 0, 1
"""Whether the levels are those of a console that a start has been finished with."""

STATE_CELL, NOTE_CELL, UNIX_CELL, BOOT_S_CELL = 7, 8, 9, 10
"""Numbers of 8 bytes each in the header that change while the bridge runs."""

_HEAD = struct.Struct("<8sqq16s16sqqdd")  # the state and what follows lie at the cells above
_COPY = struct.Struct("<8sqqqQ")
COPY_BYTES = _COPY.size
LEVEL_DB_MIN, LEVEL_DB_MAX = -200.0, 100.0
"""No level outside of this was ever told to any console, off aside."""


@dataclass(frozen=True, slots=True)
class Shape:
    """Where everything lies in an image.

    Attributes:
        slots: How many slots there are.
    """

    slots: int

    @property
    def asked(self) -> int:
        """First byte of what was asked."""
        return HEADER_BYTES + 8 * self.slots

    @property
    def low(self) -> int:
        """First byte of the lowest values that the console may have, where that is not known."""
        return self.asked + 8 * self.slots

    @property
    def notes(self) -> int:
        """First byte of the notes; up to here the image is copied to the disk."""
        return self.low + 8 * self.slots

    @property
    def size(self) -> int:
        """Bytes of an image, with room for two notes: one stands while the other is written."""
        return self.notes + 2 * NOTE_BYTES


@dataclass(frozen=True, slots=True)
class Past:
    """What an image says.

    Attributes:
        told: The last word a slot; NaN where there was none.
        asked: What was asked a slot.
        under_way: Slots whose last word may not have arrived, and the lowest value there may be.
        note: What is kept of people.
        state: ``STARTING`` or ``STANDS``.
        boot: The run of the machine that it is from.
        alive_unix_s: When the bridge was seen alive last, on the calendar.
        alive_boot_s: The same, seconds since the machine started.
    """

    told: Sequence[float]
    asked: Sequence[float]
    under_way: tuple[tuple[int, float], ...]
    note: bytes
    state: int
    boot: bytes
    alive_unix_s: float
    alive_boot_s: float


class Unusable(Exception):
    """An image that says nothing; its text says why."""


def mark_of(rig: Rig) -> bytes:
    """16 bytes that stand for the numbering of the slots, and for the console behind them."""
    file, layout = rig.file, rig.layout
    console = (file.console.map, file.console.send, file.console.midi)
    names = [channel.console for channel in file.channel], [bus.console for bus in file.bus]
    said = repr((list(KINDS), layout, console, names))
    return hashlib.blake2b(said.encode(), digest_size=16).digest()


def header(slots: int, mark: bytes, boot: bytes) -> bytes:
    """The header of an image in which nothing stands yet."""
    return _HEAD.pack(MAGIC, SCHEMA, slots, mark, boot, STARTING, 0, 0.0, 0.0).ljust(
        HEADER_BYTES, b"\0"
    )


def note_cell(half: int, length: int) -> int:
    """Which of the two notes stands and how long it is, as one number: one store flips both."""
    return 2 * length + half


def copy_of(image: bytes, sequence: int) -> bytes:
    """An image as it is written to the disk."""
    crc = zlib.crc32(image, zlib.crc32(struct.pack("<qq", sequence, len(image))))
    return _COPY.pack(COPY_MAGIC, SCHEMA, sequence, len(image), crc) + image


def read_copy(data: bytes) -> tuple[int, bytes]:
    """Sequence number and image of what lies on the disk.

    Raises:
        Unusable: it is not whole.
    """
    if len(data) < COPY_BYTES or not data.startswith(COPY_MAGIC):
        raise Unusable("it is no copy of levels")
    _, schema, sequence, length, crc = _COPY.unpack_from(data)
    if schema != SCHEMA:
        raise Unusable(f"its form is number {schema}, and this version knows number {SCHEMA}")
    image = data[COPY_BYTES:]
    if not 0 <= length <= len(image):
        raise Unusable("it is cut short")
    image = image[:length]
    if zlib.crc32(image, zlib.crc32(struct.pack("<qq", sequence, length))) != crc:
        raise Unusable("its checksum is wrong")
    return sequence, image


def note_at(image: bytes) -> tuple[int, int]:
    """Which of the two notes stands, and its length in bytes, by an image's header."""
    (cell,) = struct.unpack_from("<q", image, 8 * NOTE_CELL)
    return cell & 1, cell >> 1


def note_in(image: bytes, shape: Shape) -> bytes:
    """The note that stands in a whole image in memory."""
    half, length = note_at(image)
    start = shape.notes + NOTE_BYTES * half
    return image[start : start + length] if 0 <= length <= NOTE_BYTES else b""


def read_image(image: bytes, note: bytes, mark: bytes, kinds: Sequence[int]) -> Past:
    """What an image says.

    Args:
        image: Its bytes, at least up to the notes.
        note: The note that stands in it.
        mark: What this rig's image must be marked with.
        kinds: What each slot holds.

    Raises:
        Unusable: it is damaged, of another rig, or of another version.
    """
    shape = Shape(len(kinds))
    if len(image) < HEADER_BYTES or not image.startswith(MAGIC):
        raise Unusable("it is damaged")
    _, schema, slots, found, boot, state, _, unix_s, boot_s = _HEAD.unpack_from(image)
    if schema != SCHEMA:
        raise Unusable(f"its form is number {schema}, and this version knows number {SCHEMA}")
    if slots != shape.slots or found != mark:
        raise Unusable("the rig has other channels, buses or another console now")
    if len(image) < shape.notes:
        raise Unusable("it is cut short")
    told = array("d", image[HEADER_BYTES : shape.asked])
    asked = array("d", image[shape.asked : shape.low])
    low = array("d", image[shape.low : shape.notes])
    if not all(_possible(values, kinds) for values in (told, asked, low)):
        raise Unusable("it is damaged: no console was ever told that")
    under_way = tuple((slot, value) for slot, value in enumerate(low) if value == value)
    return Past(told, asked, under_way, note, state, boot, unix_s, boot_s)


def _possible(values: Sequence[float], kinds: Sequence[int]) -> bool:
    """Whether such values can have been told or asked at all; a missing one (NaN) can."""
    for value, kind in zip(values, kinds, strict=True):
        if value != value or kind == SOUND:
            continue
        if kind == LEVEL:
            fits = value == -math.inf or LEVEL_DB_MIN <= value <= LEVEL_DB_MAX
        else:
            fits = -1.0 <= value <= 1.0 if kind == PAN else value in (0.0, 1.0)
        if not fits:
            return False
    return True


assert struct.calcsize("<8sqq16s16s") == 8 * STATE_CELL, "the state lies at its cell"
assert HEADER_BYTES % 8 == 0 and NOTE_BYTES % 8 == 0, "every number is aligned, so stores are whole"
