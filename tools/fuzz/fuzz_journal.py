"""Damaged copies of what survives a stop: read as after a power cut. Pure."""

from __future__ import annotations

import struct
import zlib

from fuzz_bytes import Mutator
from fuzz_house import Broken, FuzzHouse, osc_rig

from bridge.journal import form, people


class JournalTarget:
    """Copies of levels and notes about people, damaged, with and without a checksum that fits.

    Args:
        seed: Where they come from.
    """

    def __init__(self, seed: str) -> None:
        house = FuzzHouse(osc_rig()).house
        self._engine = house.engine
        kinds = [int(kind) for kind in self._engine.matrix.kind]
        self._kinds, self._mark = kinds, form.mark_of(house.rig)
        shape = form.Shape(len(kinds))
        image = form.header(len(kinds), self._mark, bytes(16))
        image += struct.pack(f"<{2 * shape.slots}d", *([-6.0] * shape.slots * 2))
        image = image.ljust(shape.notes, b"\0")
        note = people.note_of(self._engine, 0.0)
        said = [note, b'{"live":[[0,3,-6.0]],"requests":[[1,0,3,5.0]],"silenced":[0,0,0]}']
        self._mutator = Mutator(seed, [form.copy_of(image, 7), image, *said])
        self.make = self._mutator.make

    def take(self, data: bytes) -> None:
        """Read it in every way that the bridge reads such bytes."""
        whole = len(data) > form.COPY_BYTES
        for one in (data, _sealed(data) if whole else data):
            try:
                _, image = form.read_copy(one)
            except form.Unusable:
                image = data
            try:
                past = form.read_image(image, b"", self._mark, self._kinds)
            except form.Unusable:
                continue
            if not all(value != value or value <= form.LEVEL_DB_MAX for value in past.told):
                raise Broken(f"levels that nobody was told: {max(past.told)}")

    def keep(self, data: bytes) -> None:
        """A note about people is put in force whole, or left out and told."""
        if data[:1] == b"{":
            before = dict(self._engine.people.live)
            why = people.restore(self._engine, data, 0.0)
            if why and self._engine.people.live != before:
                raise Broken(f"half a note is in force: {why}")

    def ended(self) -> None:
        """Nothing is kept."""


def _sealed(data: bytes) -> bytes:
    """The same with a length and a checksum that fit: damage that no checksum finds."""
    image = data[form.COPY_BYTES :]
    head = struct.pack("<qq", 7, len(image))
    crc = zlib.crc32(image, zlib.crc32(head))
    return struct.pack("<8sqqqQ", form.COPY_MAGIC, form.SCHEMA, 7, len(image), crc) + image
