"""All exceptions. Pure.

    BridgeError
    ├── RigError    a rig file says something that cannot be
    ├── MapError    an address map says something that cannot be
    ├── WireError   bytes that are not a message
    └── LinkError   a socket or a MIDI port that cannot be opened or used

No person at a control can make the core raise: the answer to a wish is a verdict. Exceptions are
for files, bytes and links, and keep their facts as attributes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong in a file.

    Attributes:
        where: File, line and key path, as far as known: ``demo.toml:12 bus.2.ceiling_db``.
        found: What stands there.
        expected: What could stand there instead, with units.
    """

    where: str
    found: str
    expected: str

    def __str__(self) -> str:
        line = f"{self.where}: found {self.found}, expected {self.expected}"
        return line if line.isprintable() else "".join(map(_shown, line))


def _shown(letter: str) -> str:
    """A letter of a fault: what a file holds must not steer the terminal that shows it."""
    return letter if letter.isprintable() else letter.encode("unicode_escape").decode("ascii")


class BridgeError(Exception):
    """Anything that foldbridge raises on purpose."""


class FileError(BridgeError):
    """A file with one or several faults, all reported together."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class RigError(FileError):
    """A rig file says something that cannot be."""


class MapError(FileError):
    """An address map says something that cannot be."""


class WireError(BridgeError):
    """Bytes that are not a message.

    Attributes:
        reason: Why, in a few words that stay the same for the same cause (it is a counter's name).
    """

    def __init__(self, reason: str) -> None:
        self.reason = reason
        super().__init__(reason)


class LinkError(BridgeError):
    """A socket or a MIDI port that cannot be opened or used.

    Attributes:
        link: The link's name in the rig.
        found: What happened.
        remedy: What a person can do about it.
    """

    def __init__(self, link: str, found: str, remedy: str) -> None:
        self.link, self.found, self.remedy = link, found, remedy
        super().__init__(f"{link}: {found}; {remedy}")
