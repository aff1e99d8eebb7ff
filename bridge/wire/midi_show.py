"""MIDI Show Control: is it a GO for us, and which cue? Pure.

    F0 7F <device> 02 <command format> <command> <data> F7

Facts: MIDI Show Control 1.1.1 (MMA RP-002/RP-014): section 2 for the frame, 3.1 for cue numbers,
4.1 for command formats, 5 for GO. Cue number, list and path are ASCII digits and points with 00
between them. Lists and paths are not kept here, so what follows the cue number is thrown away, as
section 3.1 asks.
"""

from __future__ import annotations

import re
from typing import Final, NamedTuple

from bridge.errors import WireError

BYTES_MAX: Final = 128
"""Longest message, F0 and F7 included (section 2.6)."""

ALL_CALL: Final = 0x7F
"""The device id that means everybody (section 2.2)."""

SOUND: Final = 0x10
ALL_TYPES: Final = 0x7F
"""Command formats that are meant for us: sound, the general one, and all (section 4.1)."""

GO: Final = 0x01
"""The command that starts a cue (section 5)."""

TOO_LONG: Final = "show control message is too long"
NOT_ENDED: Final = "show control message does not end in F7"
CUT_SHORT: Final = "show control message is cut short"
NO_DATA: Final = "show control message has a status byte inside"
NO_CUE: Final = "show control cue is no number"
"""Reasons of a ``WireError``: the same words for the same cause, so that they can be counted."""

_HEAD: Final = 6
"""Bytes before the data: F0, 7F, device, 02, command format, command."""

_CUE: Final = re.compile(rb"[0-9]+(\.+[0-9]+)*")
_POINTS: Final = re.compile(r"\.+")


class Go(NamedTuple):
    """A GO.

    Attributes:
        device: Device id, 0..127; ``ALL_CALL`` is everybody.
        format: Command format, 1..127.
        cue: Cue number as text, ``91.5``; empty: the next one.
    """

    device: int
    format: int
    cue: str

    def means(self, device: int) -> bool:
        """Whether it is for a sound device of this id, 0..111.

        Ids of groups (70..7E) are nobody's here: no group is declared.
        """
        return self.device in (device, ALL_CALL) and self.format in (SOUND, ALL_TYPES)


def is_show_control(data: bytes) -> bool:
    """Whether bytes begin as a Show Control message does."""
    return len(data) > 3 and data[0] == 0xF0 and data[1] == 0x7F and data[3] == 0x02


def decode(data: bytes) -> Go | None:
    """Read a complete message.

    Args:
        data: F0 to F7.

    Returns:
        The GO; None for every other command, and for what is no Show Control.

    Raises:
        WireError: it is Show Control, and damaged.
    """
    if not is_show_control(data):
        return None
    _check_frame(data)
    device, command_format, command = data[2], data[4], data[5]
    if command_format == 0 or command != GO:  # 00 begins an extension (section 2.5)
        return None
    return Go(device, command_format, _cue(data[_HEAD:-1]))


def _check_frame(data: bytes) -> None:
    if len(data) > BYTES_MAX:
        raise WireError(TOO_LONG)
    if data[-1] != 0xF7:
        raise WireError(NOT_ENDED)
    if len(data) < _HEAD + 1:
        raise WireError(CUT_SHORT)
    if max(data[1:-1]) > 0x7F:
        raise WireError(NO_DATA)


def _cue(data: bytes) -> str:
    """The cue number: all before the first delimiter. Two points together count as one (3.1)."""
    number = data.split(b"\0", 1)[0]
    if not number:
        return ""
    if not _CUE.fullmatch(number):
        raise WireError(NO_CUE)
    return _POINTS.sub(".", number.decode("ascii"))


def cue_order(cue: str) -> tuple[int, ...]:
    """Where a cue stands in numerical order: its parts between the points as numbers."""
    return tuple(int(part) for part in cue.split("."))
