"""The type tags of OSC arguments, and what each one is in Python. Pure.

    tags     bytes              Python
    i h      4, 8               int, signed
    f d      4, 8               float
    s S      as long as it is   str, UTF-8 (ASCII is a part of it)
    b        as long as it is   bytes
    t        8                  int, a time tag
    c        4                  str of one ASCII character
    r        4                  int 0xRRGGBBAA
    m        4                  bytes: port, status, data 1, data 2
    T F N    none               True, False, None
    I        none               IMPULSE
    [ ]      none               a tuple of what stands between

Facts: OSC 1.0, "OSC Type Tag String" and "Atomic Data Types"; OSC 1.1 (Freed and Schmeder, NIME
2009), table 1. OSC 1.0 strings are ASCII; names of channels are not always, so string arguments may
be UTF-8. Addresses and tags stay ASCII.
"""

from __future__ import annotations

from enum import Enum
from struct import Struct
from typing import Any, Final

from bridge.wire.guard import ARRAY_DEPTH_MAX, TAGS_MAX, refuse

ARGUMENT_SHORT: Final = "argument is cut short"
LEFT_OVER: Final = "bytes are left over after the last argument"
NOT_TERMINATED: Final = "string has no end"
PADDING: Final = "padding is not zero"
NOT_UTF8: Final = "string is not UTF-8"
NOT_ASCII: Final = "character is not ASCII"
BLOB_SIZE: Final = "blob size is wrong"
UNKNOWN_TAG: Final = "unknown type tag"
TAGS_LONG: Final = "type tag string is too long"
ARRAY_BRACKETS: Final = "array brackets do not match"
ARRAY_DEEP: Final = "arrays are nested too deep"
VALUE_COUNT: Final = "not one value for each type tag"
VALUE_TYPE: Final = "value does not suit its type tag"
VALUE_RANGE: Final = "value is beyond what its type can carry"
NOT_A_NUMBER: Final = "value is not a number"
NUL_INSIDE: Final = "string holds a NUL"
"""Reasons of a ``WireError``: the same words for the same cause, so that they can be counted."""


class Impulse(Enum):
    """The value of tag ``I``: something happens, and that is all (1.0 calls it Infinitum)."""

    IMPULSE = "impulse"


IMPULSE: Final = Impulse.IMPULSE

FIXED: Final = {"i": "i", "h": "q", "f": "f", "d": "d", "t": "Q", "r": "I", "m": "4s"}
"""Tags whose bytes ``struct`` reads as they are, and its letter for each."""

CONSTANTS: Final[dict[str, Any]] = {"T": True, "F": False, "N": None, "I": IMPULSE}
"""Tags that carry no bytes, and the value of each."""

KNOWN_TAGS: Final = frozenset("ihfdtrmsSbcTFNI[]")


def check_tags(tags: str) -> None:
    """Let only type tags pass (without their comma) that the codec can read whole.

    A tag that is not known has an unknown size, so nothing behind it can be trusted: OSC 1.0, "OSC
    Type Tag String", has the whole message discarded.

    Raises:
        WireError: an unknown tag, too many, or brackets that do not match or nest too deep.
    """
    if len(tags) > TAGS_MAX:
        refuse(TAGS_LONG)
    if not KNOWN_TAGS.issuperset(tags):
        refuse(UNKNOWN_TAG)
    depth = 0
    for tag in tags:
        depth += (tag == "[") - (tag == "]")
        if depth < 0:
            refuse(ARRAY_BRACKETS)
        if depth > ARRAY_DEPTH_MAX:
            refuse(ARRAY_DEEP)
    if depth:
        refuse(ARRAY_BRACKETS)


def packer(tags: str) -> Struct | None:
    """The ``struct`` of all arguments in one go; none where a tag has no fixed bytes of its own."""
    if not all(tag in FIXED for tag in tags):
        return None
    return Struct(">" + "".join(FIXED[tag] for tag in tags))
