"""How a part of a map says what is wrong with an entry, before file and line are known. Pure."""

from __future__ import annotations

from bridge.errors import Fault
from bridge.maps.model import MapFile


class Flaw(Exception):
    """One key of an entry says something that cannot be.

    Attributes:
        key: The key; empty for the entry as a whole.
        found: What stands there.
        expected: What could stand there instead.
    """

    def __init__(self, key: str, found: object, expected: str) -> None:
        self.key, self.found, self.expected = key, found, expected
        super().__init__(f"{key}: found {found}, expected {expected}")

    def fault(self, map_file: MapFile, path: tuple[str | int, ...]) -> Fault:
        """The fault, with file, line and key path."""
        whole = (*path, *([self.key] if self.key else []))
        return Fault(map_file.at(whole), str(self.found), self.expected)
