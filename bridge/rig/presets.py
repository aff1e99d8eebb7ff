"""What a rig says of its presets and of a room that looks after itself. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from bridge import limits as bounds
from bridge.rig.faults import names_of, shown
from bridge.rig.fields import Id, Table
from bridge.rig.toml import Path

if TYPE_CHECKING:
    from bridge.rig.model import RigFile

PRESETS_MAX = 256
"""Most presets that a folder may hold: a band has one a song, and all are read to find a cue."""

SAFE_MAX = 512
"""Most lines about what a recall leaves alone: as many as a rig has channels."""

HOURS_MAX = 24
"""Most hours of a day at which a room goes back to its house preset."""

SHOW_DEVICE_MAX = 0x6F
"""Highest id of a single device (MIDI Show Control 1.1.1, MMA RP-002/RP-014, section 2.2)."""

Folder = Annotated[str, Field(min_length=1, max_length=bounds.ADDRESS_CHARACTERS_MAX)]
Hour = Annotated[str, Field(min_length=1, max_length=bounds.NAME_CHARACTERS_MAX)]
_HOUR = re.compile(r"([01][0-9]|2[0-3]):([0-5][0-9])")


class Presets(Table):
    """`[presets]`: where the stored mixes are, and which of them controllers reach."""

    folder: Folder | None = Field(
        None, description="Their folder, relative to this file; RIG.presets beside it when missing."
    )
    order: list[Id] = Field(
        default_factory=list,
        max_length=PRESETS_MAX,
        description="Names of presets that controllers reach, as 1, 2, 3 ...; the first is home.",
    )
    show_control: int | None = Field(
        None, ge=0, le=SHOW_DEVICE_MAX, description="Device id for MIDI Show Control; off without."
    )


class RecallSafe(Table):
    """`[[recall_safe]]`: what a recall leaves alone; with both keys it is that one send."""

    channel: str | None = Field(None, description="Id of a channel: its sends.")
    bus: str | None = Field(None, description="Id of a bus: its sends and its master.")


class Room(Table):
    """`[room]`: presets that a room keeps to by itself, with nobody there to look after it."""

    presets: list[Id] = Field(
        min_length=1, max_length=PRESETS_MAX, description="All that may be recalled here, in order."
    )
    house: Id | None = Field(
        None, description="The one it starts with and returns to; the first when missing."
    )
    window_db: float = Field(
        6.0, ge=0, le=40, allow_inf_nan=False,
        description="How far performers may move levels away from the preset, dB up and down."
    )  # fmt: skip
    idle_min: float | None = Field(
        None, ge=1, le=1440, allow_inf_nan=False,
        description="Minutes without a hand on any control after which it returns."
    )  # fmt: skip
    home_at: list[Hour] = Field(
        default_factory=list, max_length=HOURS_MAX,
        description="Local times at which it returns, HH:MM."
    )  # fmt: skip
    unsilence: bool = Field(
        False, description="A hand that asks for the house preset also ends 'silence all'."
    )
    hands: list[str] | None = Field(
        None, max_length=bounds.HANDS_MAX,
        description="Ids of the performers who may choose a preset; everybody when missing."
    )  # fmt: skip

    @property
    def home(self) -> str:
        """Name of the house preset."""
        return self.presets[0] if self.house is None else self.house

    @property
    def home_minutes(self) -> tuple[int, ...]:
        """When it returns, minutes of the day, 0..1439."""
        found = (_HOUR.fullmatch(hour) for hour in self.home_at)
        return tuple(60 * int(hour[1]) + int(hour[2]) for hour in found if hour)


def reachable(file: RigFile) -> tuple[str, ...]:
    """Names of the presets that controllers reach, in their order: a room's own, if it is one."""
    return tuple(file.presets.order if file.room is None else file.room.presets)


def contradictions(file: RigFile) -> Iterator[tuple[Path, str, str]]:
    """What these tables say against one another and against the rest of the rig.

    Yields:
        Key path, what stands there, what was expected.
    """
    known = {
        "channel": {channel.id for channel in file.channel},
        "bus": {bus.id for bus in file.bus},
    }
    for i, safe in enumerate(file.recall_safe):
        if safe.channel is None and safe.bus is None:
            yield ("recall_safe", i), "nothing", "a channel, a bus, or both"
        for key, names in known.items():
            name = getattr(safe, key)
            if name is not None and name not in names:
                yield ("recall_safe", i, key), shown(name), names_of(names)
    yield from _twice(("presets", "order"), file.presets.order)
    if file.room is not None:
        yield from _in_room(file)


def _in_room(file: RigFile) -> Iterator[tuple[Path, str, str]]:
    room = file.room
    assert room is not None, "asked for rigs with a room only"
    yield from _twice(("room", "presets"), room.presets)
    if room.house is not None and room.house not in room.presets:
        yield ("room", "house"), shown(room.house), names_of(room.presets)
    for i, hour in enumerate(room.home_at):
        if not _HOUR.fullmatch(hour):
            yield ("room", "home_at", i), shown(hour), "HH:MM, 00:00 to 23:59"
    performers = [performer.id for performer in file.performer]
    for i, name in enumerate(room.hands or ()):
        if name not in performers:
            expected = names_of(performers) if performers else "no hands: there is no performer"
            yield ("room", "hands", i), shown(name), expected
    if file.presets.order:
        yield ("presets", "order"), "an order beside a room", "the order of room.presets alone"


def _twice(path: Path, names: list[str]) -> Iterator[tuple[Path, str, str]]:
    for i, name in enumerate(names):
        if name in names[:i]:
            yield (*path, i), f"{shown(name)} twice", "each name once"
