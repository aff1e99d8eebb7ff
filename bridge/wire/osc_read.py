"""OSC arguments: bytes to Python values, each checked before it is believed. Pure.

A reader gets the message and the place where its argument starts, and answers with the value and
the place where the next argument starts. No reader looks behind the end of the message: an argument
that is cut short would otherwise read as zero, and 0 dB is loud.

Facts: OSC 1.0, "Atomic Data Types": big-endian, strings end in 1 to 4 NULs, blobs in 0 to 3.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from struct import Struct
from typing import Any, Final

from bridge.wire import osc_tags as reasons
from bridge.wire.guard import refuse
from bridge.wire.osc_tags import CONSTANTS, FIXED

_Reader = Callable[[bytes, int], tuple[Any, int]]


def read(tags: str, data: bytes, at: int) -> tuple[Any, ...]:
    """Read the arguments from ``at`` to the end of a message.

    Args:
        tags: Type tags without comma, as ``check_tags`` lets them pass.
        data: One whole message.
        at: Where the first argument starts.

    Raises:
        WireError: an argument is cut short or malformed, or bytes are left over.
    """
    values: list[Any] = []
    outer: list[list[Any]] = []
    for tag in tags:
        if tag == "[":
            outer.append(values)
            values = []
        elif tag == "]":
            array = tuple(values)
            values = outer.pop()
            values.append(array)
        else:
            value, at = _READERS[tag](data, at)
            values.append(value)
    if at != len(data):
        refuse(reasons.LEFT_OVER)
    return tuple(values)


def read_string(data: bytes, at: int) -> tuple[bytes, int]:
    """The bytes of an OSC-string, and where the next thing starts.

    Raises:
        WireError: no NUL ends it, or its padding is cut short or not zero.
    """
    end = data.find(0, at)
    if end < 0:
        refuse(reasons.NOT_TERMINATED if at < len(data) else reasons.ARGUMENT_SHORT)
    after = (end | 3) + 1
    _check_padding(data, end, after)
    return data[at:end], after


def finite(values: Iterable[Any]) -> bool:
    """Whether every number among arguments, arrays included, is a finite one."""
    for value in values:
        if isinstance(value, float) and not math.isfinite(value):
            return False
        if isinstance(value, tuple) and not finite(value):
            return False
    return True


def _check_padding(data: bytes, at: int, after: int) -> None:
    """Nothing but zeros from ``at`` up to ``after``; bytes that are missing are no zeros."""
    if data.count(0, at, after) != after - at:
        refuse(reasons.PADDING)


def _constant_reader(value: Any) -> _Reader:
    return lambda data, at: (value, at)


def _fixed_reader(letter: str) -> _Reader:
    form = Struct(">" + letter)
    size = form.size

    def read_fixed(data: bytes, at: int) -> tuple[Any, int]:
        if at + size > len(data):
            refuse(reasons.ARGUMENT_SHORT)
        return form.unpack_from(data, at)[0], at + size

    return read_fixed


_read_int: Final = _fixed_reader("i")


def _read_text(data: bytes, at: int) -> tuple[str, int]:
    raw, after = read_string(data, at)
    try:
        return raw.decode(), after
    except UnicodeDecodeError:
        refuse(reasons.NOT_UTF8)


def _read_blob(data: bytes, at: int) -> tuple[bytes, int]:
    size, start = _read_int(data, at)
    if not 0 <= size <= len(data) - start:
        refuse(reasons.BLOB_SIZE)
    end = start + size
    after = (end + 3) & ~3
    _check_padding(data, end, after)
    return data[start:end], after


def _read_character(data: bytes, at: int) -> tuple[str, int]:
    code, after = _read_int(data, at)
    if not 0 <= code < 128:
        refuse(reasons.NOT_ASCII)
    return chr(code), after


_READERS: Final[dict[str, _Reader]] = {
    **{tag: _constant_reader(value) for tag, value in CONSTANTS.items()},
    **{tag: _fixed_reader(letter) for tag, letter in FIXED.items()},
    "s": _read_text,
    "S": _read_text,
    "b": _read_blob,
    "c": _read_character,
}
