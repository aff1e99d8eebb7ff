"""What a rig file may say: one model a table, every key with its meaning and unit. Pure.

Pydantic is used while loading only; the running bridge reads the compiled ``Rig``.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, Strict

from bridge import limits as bounds
from bridge.rig import discovery as finding
from bridge.rig import health as standing
from bridge.rig import journal as keeping
from bridge.rig import pages as serving
from bridge.rig import presets as storing
from bridge.rig import stage as staging
from bridge.rig.fields import Id, Name, Table
from bridge.rig.layout import Parameter

Level = Annotated[float, Field(ge=-90.0, le=20.0, allow_inf_nan=False)]
Rise = Annotated[
    float, Field(ge=bounds.RISE_DB_PER_S_MIN, le=bounds.RISE_DB_PER_S_MAX, allow_inf_nan=False)
]
Step = Annotated[float, Field(ge=bounds.STEP_DB_MIN, le=bounds.STEP_DB_MAX, allow_inf_nan=False)]
Number = Annotated[int, Field(ge=0, le=bounds.NUMBER_MAX)]
MapPath = Annotated[str, Field(min_length=1, max_length=bounds.ADDRESS_CHARACTERS_MAX)]
Address = Annotated[str, Field(min_length=1, max_length=bounds.ADDRESS_CHARACTERS_MAX)]

MAY_TOUCH: tuple[Parameter, ...] = (
    Parameter.SEND_LEVEL,
    Parameter.SEND_ON,
    Parameter.SEND_PAN,
    Parameter.BUS_MASTER,
    Parameter.BUS_MUTE,
    Parameter.BUS_DIM,
    Parameter.GROUP,
    Parameter.ASK,
    Parameter.PRESET,
    Parameter.PRESET_NEXT,
    Parameter.PRESET_PREVIOUS,
    Parameter.PRESET_HOUSE,
    Parameter.PRESET_UNDO,
)
"""What a performer may move in the own buses when the rig does not say."""


class About(Table):
    """`[rig]`: what this is."""

    name: Name = Field(description="The rig's name, shown to people.")


class Limits(Table):
    """`[limits]`: hard limits for everybody, the engineer included; a bus may be stricter."""

    send_ceiling_db: Level = Field(default=0.0, description="Highest level of any send, dB.")
    master_ceiling_db: Level = Field(default=0.0, description="Highest level of any master, dB.")
    fader_ceiling_db: Level = Field(default=10.0, description="Highest channel fader, dB.")
    rise_db_per_s: Rise = Field(default=6.0, description="How fast a level may rise, dB/s.")
    step_db: Step = Field(default=1.0, description="Rise that a gesture may take at once, dB.")
    lower_db_per_s: Rise = Field(
        default=12.0, description="How fast levels come down to a ceiling set live, dB/s."
    )
    ramp_floor_db: float = Field(
        -60.0, ge=-90.0, le=-20.0, description="Where ramps begin: below this all is one, dB."
    )


class Channel(Table):
    """`[[channel]]`: one source at the console."""

    id: Id = Field(description="Short name used in this file.")
    label: Name | None = Field(None, description="Name shown to people; the id when missing.")
    console: Number | Name = Field(description="The console's own number or name for it.")


class Bus(Table):
    """`[[bus]]`: one monitor mix output."""

    id: Id = Field(description="Short name used in this file.")
    label: Name | None = Field(None, description="Name shown to people; the id when missing.")
    console: Number | Name = Field(description="The console's own number or name for it.")
    width: Literal["mono", "stereo"] = Field("mono", description="Mono or stereo.")
    tap: Literal["pre", "post"] = Field(
        "pre", description="Where its sends take their signal: before or after the channel fader."
    )
    start_db: Level = Field(default=-40.0, description="Master level at which the bus opens, dB.")
    nominal_db: Level = Field(default=0.0, description="Master level meant for the show, dB.")
    send_ceiling_db: Level | None = Field(None, description="Highest send into it, dB.")
    master_ceiling_db: Level | None = Field(None, description="Highest master, dB.")
    rise_db_per_s: Rise | None = Field(None, description="How fast its levels may rise, dB/s.")
    step_db: Step | None = Field(None, description="Rise that a gesture may take at once, dB.")
    dim_db: float = Field(20.0, gt=0, le=60, description="How far dim lowers the master, dB.")
    auto_open: bool = Field(False, description="Opens by itself at start, without the engineer.")
    start_mix: dict[str, Level] = Field(
        default_factory=dict, description="Sends at start, channel id to dB; the others are off."
    )


class Performer(Table):
    """`[[performer]]`: somebody who may move their own mix."""

    id: Id = Field(description="Short name used in this file.")
    name: Name | None = Field(None, description="Name shown to people; the id when missing.")
    buses: list[str] = Field(min_length=1, description="Ids of the buses that are theirs.")
    may_touch: list[Annotated[Parameter, Strict(False)]] = Field(
        default=list(MAY_TOUCH), description="What they may move in their buses."
    )
    send_ceiling_db: Level | None = Field(None, description="How far they may turn up a send, dB.")
    send_ceilings_db: dict[str, Level] = Field(
        default_factory=dict, description="The same for single sends, channel id to dB."
    )
    master_ceiling_db: Level | None = Field(None, description="How far they may turn up, dB.")
    window_db: float | None = Field(
        None,
        gt=0,
        le=60,
        description="How far from where the engineer put a level they may move it, +/- dB.",
    )
    rise_db_per_s: Rise | None = Field(
        None, description="How fast levels of their buses may rise, whoever moves them, dB/s."
    )
    step_db: Step | None = Field(
        None, description="Rise that a gesture may take at once in their buses, dB."
    )


class Engineer(Table):
    """`[engineer]`: who looks after the monitors; may move everything, within the limits."""

    name: Name = Field("engineer", description="Name shown to people.")


class Group(Table):
    """`[[group]]`: sends that one control moves together, keeping their distances."""

    id: Id = Field(description="Short name used in this file and in address maps.")
    bus: str = Field(description="Id of the bus.")
    channels: list[str] = Field(min_length=1, description="Ids of the channels.")
    against: list[str] = Field(
        default_factory=list,
        max_length=bounds.CHANNELS_MAX,
        description="Ids of channels that give way: they fall when the group rises and rise when "
        "it falls, so that the sum of all stays as loud.",
    )


class Controller(Table):
    """`[[controller]]`: something with controls, and whose hands are on it."""

    id: Id = Field(description="Short name used in logs.")
    hands: str = Field(description="Id of the performer, or `engineer`.")
    map: MapPath = Field(description="Its address map, a path relative to this file.")
    listen: Address | None = Field(None, description="OSC: where the bridge listens, udp://:9101.")
    source: Address | None = Field(
        None,
        description="OSC: the address that it sends from, 192.0.2.20 or 192.0.2.20:9000, or a "
        "host's name, looked up once at start.",
    )
    reply: Address | None = Field(
        None, description="OSC: where it hears of changes, udp://host:port."
    )
    midi: Address | None = Field(None, description="MIDI: port name pattern, Foot*.")


class Console(Table):
    """`[console]`: what the bridge moves."""

    map: MapPath = Field(description="Its address map, a path relative to this file.")
    send: Address | None = Field(None, description="OSC: its address, udp://192.0.2.10:9000.")
    listen: Address | None = Field(None, description="OSC: where the bridge hears it, udp://:9001.")
    midi: Address | None = Field(None, description="MIDI: port name pattern, Desk*.")
    readback: bool = Field(True, description="The console can be asked for its values.")
    keeps_levels: bool = Field(
        False,
        description="It keeps its levels while the bridge is away, and nobody else moves them; "
        "this is believed where it cannot be asked.",
    )
    channel_mute_cuts: list[Literal["pre", "post"]] = Field(
        default=["post"], description="Which sends a channel mute cuts at this console."
    )
    bytes_per_s: float | None = Field(
        None, ge=bounds.BYTES_PER_S_MIN, le=1e9, description="Budget of the link, bytes/s."
    )
    messages_per_s: float | None = Field(
        None, ge=bounds.MESSAGES_PER_S_MIN, le=1e6, description="Budget, messages/s."
    )
    delay_s: float = Field(
        0.05, ge=0, le=bounds.UNDER_WAY_S, description="By how much the link's delay may vary, s."
    )
    answer_s: float = Field(
        1.0,
        ge=bounds.ANSWER_S_MIN,
        le=30,
        description="Silence after which the console counts as lost, s.",
    )


class Daemon(Table):
    """`[daemon]`: the bridge itself."""

    watch: Address | None = Field(
        None, description="Where `foldbridge watch` connects, tcp://127.0.0.1:9100."
    )


class RigFile(Table):
    """A whole rig file."""

    rig: About
    limits: Limits = Limits()
    channel: list[Channel] = Field(min_length=1, max_length=bounds.CHANNELS_MAX)
    bus: list[Bus] = Field(min_length=1, max_length=bounds.BUSES_MAX)
    performer: list[Performer] = Field(default_factory=list, max_length=bounds.HANDS_MAX)
    engineer: Engineer = Engineer()
    group: list[Group] = Field(default_factory=list, max_length=bounds.GROUPS_MAX)
    controller: list[Controller] = Field(default_factory=list, max_length=bounds.HANDS_MAX)
    console: Console
    daemon: Daemon = Daemon()
    stage: staging.Stage | None = None
    microphone: list[staging.Microphone] = Field(
        default_factory=list, max_length=bounds.STAGE_ITEMS_MAX
    )
    loudspeaker: list[staging.Loudspeaker] = Field(
        default_factory=list, max_length=bounds.STAGE_ITEMS_MAX
    )
    ear: list[staging.Ear] = Field(default_factory=list, max_length=bounds.HANDS_MAX)
    amplifier: list[staging.Amplifier] = Field(default_factory=list, max_length=bounds.HANDS_MAX)
    line: list[staging.Line] = Field(default_factory=list, max_length=bounds.STAGE_ITEMS_MAX)
    presets: storing.Presets = storing.Presets()
    recall_safe: list[storing.RecallSafe] = Field(default_factory=list, max_length=storing.SAFE_MAX)
    room: storing.Room | None = None
    pages: serving.Pages | None = None
    health: standing.Health = standing.Health()
    journal: keeping.Journal = keeping.Journal()
    discovery: finding.Discovery | None = None
