"""OSC arguments: Python values to bytes, each checked before it is written. Pure.

Not a number is refused whatever its type: nobody who receives it can tell what was meant.

Facts: OSC 1.0, "Atomic Data Types".
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from struct import Struct
from struct import error as StructError
from typing import Any, Final

from bridge.wire import osc_tags as reasons
from bridge.wire.guard import refuse
from bridge.wire.osc_tags import CONSTANTS, FIXED

_MISSING: Final = object()
_FLOAT: Final = Struct(">f")
_BITS: Final = Struct(">I")
_FLOAT_MAX_BITS: Final = 0x7F7FFFFF
_SIGN_BIT: Final = 0x80000000


def write(tags: str, values: Iterable[Any]) -> bytes:
    """The bytes of all arguments.

    Args:
        tags: Type tags without comma, as ``check_tags`` lets them pass.
        values: One value for each tag; for an array a tuple or list of its values.

    Raises:
        WireError: not one value for each tag, or a value that its tag cannot carry.
    """
    parts: list[bytes] = []
    rest: Iterator[Any] = iter(values)
    outer: list[Iterator[Any]] = []
    for tag in tags:
        if tag == "]":
            _check_used_up(rest)
            rest = outer.pop()
            continue
        value = next(rest, _MISSING)
        if value is _MISSING:
            refuse(reasons.VALUE_COUNT)
        if tag == "[":
            outer.append(rest)
            rest = _array(value)
        else:
            parts.append(_write_one(tag, value))
    _check_used_up(rest)
    return b"".join(parts)


def write_string(text: str) -> bytes:
    """An OSC-string: UTF-8, a NUL, and more NULs up to a multiple of 4.

    Raises:
        WireError: it is no text, a NUL inside would end it early, or a half of a surrogate pair has
            no UTF-8.
    """
    if not isinstance(text, str):
        refuse(reasons.VALUE_TYPE)
    try:
        raw = text.encode()
    except UnicodeEncodeError:
        refuse(reasons.NOT_UTF8)
    if 0 in raw:
        refuse(reasons.NUL_INSIDE)
    return raw + bytes(4 - len(raw) % 4)


def encode_f32_down(value: float) -> bytes:
    """The largest 32-bit float that is not above ``value``: a level never rounds above a ceiling.

    Below the smallest finite float that is ``-inf``, which is off.

    Raises:
        WireError: ``value`` is not a number, or is ``+inf``: no level is.
    """
    try:
        packed = _FLOAT.pack(value)
    except OverflowError:  # beyond the finite floats, on either side
        return _BITS.pack(_FLOAT_MAX_BITS) if value > 0.0 else _FLOAT.pack(-math.inf)
    if _FLOAT.unpack(packed)[0] <= value < math.inf:
        return packed
    if not value < math.inf:
        refuse(reasons.NOT_A_NUMBER if value != value else reasons.VALUE_RANGE)
    bits: int = _BITS.unpack(packed)[0]
    return _BITS.pack(bits - 1 if bits < _SIGN_BIT else bits + 1)  # sign and magnitude


def _array(value: Any) -> Iterator[Any]:
    if not isinstance(value, tuple | list):
        refuse(reasons.VALUE_TYPE)
    return iter(value)


def _check_used_up(rest: Iterator[Any]) -> None:
    if next(rest, _MISSING) is not _MISSING:
        refuse(reasons.VALUE_COUNT)


def _write_one(tag: str, value: Any) -> bytes:
    if tag in CONSTANTS:
        return b"" if value is CONSTANTS[tag] else refuse(reasons.VALUE_TYPE)
    return _WRITERS[tag](value)


def _fixed_writer(tag: str) -> Callable[[Any], bytes]:
    form = Struct(">" + FIXED[tag])
    wanted = float | int if tag in "fd" else int

    def write_fixed(value: Any) -> bytes:
        if value != value:
            refuse(reasons.NOT_A_NUMBER)
        try:
            return form.pack(value)
        except (StructError, OverflowError):
            refuse(reasons.VALUE_RANGE if isinstance(value, wanted) else reasons.VALUE_TYPE)

    return write_fixed


def _write_blob(value: bytes) -> bytes:
    if not isinstance(value, bytes | bytearray):
        refuse(reasons.VALUE_TYPE)
    return len(value).to_bytes(4, "big") + value + bytes(-len(value) % 4)


def _write_character(value: str) -> bytes:
    if not (isinstance(value, str) and len(value) == 1):
        refuse(reasons.VALUE_TYPE)
    if not value.isascii():
        refuse(reasons.NOT_ASCII)
    return ord(value).to_bytes(4, "big")


def _write_midi(value: bytes) -> bytes:
    if not isinstance(value, bytes | bytearray) or len(value) != 4:
        refuse(reasons.VALUE_TYPE)
    return bytes(value)


_WRITERS: Final[dict[str, Callable[[Any], bytes]]] = {
    **{tag: _fixed_writer(tag) for tag in FIXED},
    "s": write_string,
    "S": write_string,
    "b": _write_blob,
    "c": _write_character,
    "m": _write_midi,
}
