"""A preset as text: read and checked whole, written so that it reads back the same. Pure.

    label = "Second set"
    note = "more accordion in the reel"
    by = "Ruth"
    when = 2025-03-01T18:02:11Z
    cue = "91.5"                      # MIDI Show Control GO, when wanted

    [scope]                           # what a recall touches
    buses = ["kit"]
    channels = ["voice", "bass"]      # missing: every channel that stands below
    what = ["level", "on"]            # missing: everything that stands below

    [bus.kit]
    master_db = -6.0
    [bus.kit.send]
    voice = { level_db = -12.0, on = true, tap = "pre", pan = 0.25 }
    bass = { level_db = "off" }

What does not stand in a preset is left alone by its recall. Mutes, dims and open buses are never
stored: to open what somebody has closed is a person's decision, not a file's.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, date, datetime, time
from typing import Annotated, Literal, TypeAlias

from pydantic import Field, ValidationError

from bridge import limits
from bridge.errors import Fault, FileError
from bridge.rig.faults import faults_in, first_of, names_of, shown
from bridge.rig.fields import NAME_PATTERN, Name, Table
from bridge.rig.rig import Rig
from bridge.rig.toml import Path, place, read_toml
from bridge.units import FLOOR_DB, OFF

NOTE_CHARACTERS_MAX = 400
"""Longest note: five lines of a screen."""

CUE_CHARACTERS_MAX = 64
"""Longest cue number: a Show Control message has room for twice as many."""

LEVEL_DB_MAX = 20.0
"""Highest level that a file may say, dB: as in a rig. Ceilings bind when it is recalled."""

What: TypeAlias = Literal["level", "on", "tap", "pan", "master"]
ALL: tuple[What, ...] = ("level", "on", "tap", "pan", "master")
"""All that a preset can hold: four values a send, one a bus."""

Level = Annotated[float, Field(ge=FLOOR_DB, le=LEVEL_DB_MAX, allow_inf_nan=False)] | Literal["off"]
Pan = Annotated[float, Field(ge=-1.0, le=1.0, allow_inf_nan=False)]
Note = Annotated[str, Field(min_length=1, max_length=NOTE_CHARACTERS_MAX, pattern=NAME_PATTERN)]


class PresetError(FileError):
    """A preset says something that cannot be, or cannot be found, read or written."""


class SendMix(Table):
    """What one channel does in one bus; a missing key is left alone."""

    level_db: Level | None = Field(None, description='Send level, dB, or "off".')
    on: bool | None = Field(None, description="Whether the send is on.")
    tap: Literal["pre", "post"] | None = Field(None, description="Where it takes its signal.")
    pan: Pan | None = Field(None, description="-1 left, 0 centre, 1 right.")


class BusMix(Table):
    """`[bus.ID]`: one mix."""

    master_db: Level | None = Field(None, description='Master level, dB, or "off".')
    send: dict[str, SendMix] = Field(
        default_factory=dict,
        max_length=limits.CHANNELS_MAX,
        description="Channel id to what it does in this bus.",
    )


class Extent(Table):
    """`[scope]`: what a recall touches of what stands in the file."""

    buses: list[str] = Field(
        min_length=1, max_length=limits.BUSES_MAX, description="Ids of the buses."
    )
    channels: list[str] | None = Field(
        None, max_length=limits.CHANNELS_MAX, description="Ids of channels; all when missing."
    )
    what: list[What] | None = Field(
        None, max_length=len(ALL), description="Which values; all when missing."
    )

    def has(self, what: What, channel: str | None = None) -> bool:
        """Whether a kind of value, of a channel where it has one, is in scope."""
        if self.what is not None and what not in self.what:
            return False
        return channel is None or self.channels is None or channel in self.channels


class Preset(Table):
    """A whole preset file."""

    label: Name | None = Field(None, description="Name shown to people; the file's when missing.")
    note: Note | None = Field(None, description="Whatever should be remembered.")
    by: Name = Field(description="Who made it.")
    when: datetime | date = Field(description="When, a TOML date or date-time.")
    cue: str | None = Field(
        None,
        min_length=1,
        max_length=CUE_CHARACTERS_MAX,
        description="Cue number of a MIDI Show Control GO that recalls it.",
    )
    scope: Extent
    bus: dict[str, BusMix] = Field(
        min_length=1, max_length=limits.BUSES_MAX, description="Bus id to its mix."
    )

    @property
    def moment(self) -> datetime:
        """When it was made, to compare; without a zone it counts as UTC."""
        if not isinstance(self.when, datetime):
            return datetime.combine(self.when, time(), UTC)
        return self.when if self.when.tzinfo else self.when.replace(tzinfo=UTC)


def db_of(level: float | str) -> float:
    """A level of a file in dB: "off" and the floor are ``-inf``."""
    return OFF if isinstance(level, str) or level <= FLOOR_DB else level


def parse_preset(text: str, where: str, rig: Rig | None = None) -> Preset:
    """Check the text of a preset.

    Args:
        text: TOML.
        where: The file's path, for faults.
        rig: The rig whose channels and buses it may name; None: any.

    Raises:
        PresetError: all faults together, each with file, line, key path, found and expected.
    """
    table = read_toml(text, where, PresetError)
    try:
        preset = Preset.model_validate(table)
    except ValidationError as problem:
        raise PresetError(first_of(faults_in(problem, table, text, where), where)) from None
    faults = [
        Fault(place(text, where, path), found, expected)
        for path, found, expected in _wrong(preset, rig)
    ]
    if faults:
        raise PresetError(first_of(faults, where))
    return preset


_Wrong = tuple[Path, str, str]


def _wrong(preset: Preset, rig: Rig | None) -> Iterator[_Wrong]:
    """What its tables say against one another, and against the rig."""
    if preset.cue is not None and not _is_cue(preset.cue):
        yield ("cue",), shown(preset.cue), 'digits with single points between them, as "91.5"'
    for i, name in enumerate(preset.scope.buses):
        if name not in preset.bus:
            yield ("scope", "buses", i), shown(name), f"{names_of(preset.bus)}, which stand below"
    lists: Mapping[str, list[str]] = {
        "buses": preset.scope.buses,
        "channels": preset.scope.channels or [],
        "what": list(preset.scope.what or []),
    }
    for key, names in lists.items():
        for i, name in enumerate(names):
            if name in names[:i]:
                yield ("scope", key, i), f"{shown(name)} twice", "each name once"
    if rig is not None:
        yield from _strangers(preset, rig)


def _is_cue(text: str) -> bool:
    return text.isascii() and all(part.isdigit() for part in text.split("."))


def _strangers(preset: Preset, rig: Rig) -> Iterator[_Wrong]:
    """Channels and buses that the rig does not have."""
    channels, buses = set(rig.layout.channels), set(rig.layout.buses)
    for i, name in enumerate(preset.scope.channels or ()):
        if name not in channels:
            yield ("scope", "channels", i), shown(name), names_of(channels)
    for bus, mix in preset.bus.items():
        if bus not in buses:
            yield ("bus", bus), shown(bus), names_of(buses)
        for channel in mix.send:
            if channel not in channels:
                yield ("bus", bus, "send", channel), shown(channel), names_of(channels)


# -- writing ------------------------------------------------------------------------------------


def text_of(preset: Preset) -> str:
    """A preset as text: one line a send, so that two versions can be compared line by line."""
    lines = [
        *_pairs(label=preset.label, note=preset.note, by=preset.by, when=preset.when),
        *_pairs(cue=preset.cue),
        "",
        "[scope]",
        *_pairs(**preset.scope.model_dump()),
    ]
    for name, mix in preset.bus.items():
        lines += ["", f"[bus.{_key(name)}]", *_pairs(master_db=mix.master_db)]
        if mix.send:
            lines.append(f"[bus.{_key(name)}.send]")
            lines += [f"{_key(channel)} = {_inline(one)}" for channel, one in mix.send.items()]
    return "\n".join(lines) + "\n"


def _inline(send: SendMix) -> str:
    pairs = ", ".join(_pairs(**send.model_dump()))
    return f"{{ {pairs} }}" if pairs else "{}"


def _pairs(**values: object) -> Iterator[str]:
    """``key = value`` for everything that is not missing."""
    for key, value in values.items():
        if value is not None:
            yield f"{key} = {_word(value)}"


def _word(value: object) -> str:
    """A value as TOML 1.0 writes it."""
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return f"[{', '.join(map(_word, value))}]"
    if isinstance(value, date):
        return value.isoformat().replace("+00:00", "Z")
    return repr(value)


def _key(name: str) -> str:
    """A name as a key: bare where TOML 1.0 allows it ("Keys")."""
    bare = name.isascii() and name.replace("_", "").replace("-", "").isalnum()
    return name if bare else quoted(name)


_ESCAPES = {
    '"': '\\"', "\\": "\\\\", "\b": "\\b", "\t": "\\t", "\n": "\\n", "\f": "\\f", "\r": "\\r",
}  # fmt: skip


def quoted(text: str) -> str:
    """A text as a basic string (TOML 1.0, "String"): quotes, backslashes, controls escaped."""
    return '"' + "".join(map(_escaped, text)) + '"'


def _escaped(letter: str) -> str:
    code = ord(letter)
    if letter in _ESCAPES:
        return _ESCAPES[letter]
    return f"\\u{code:04X}" if code < 0x20 or 0x7F <= code < 0xA0 else letter
