"""What a rig file may say of the stage: every part is optional. Pure.

Axes in metres: x to stage left, y upstage, z up. An aim is a point (``aim_at``) or two angles
(``aim_deg``: azimuth 0 upstage, 90 stage left, 180 to the audience; elevation 90 straight up).
Whatever needs what is not declared is left out, and the report says so.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from bridge import limits as bounds
from bridge.rig.fields import Id, Name, Table

Metres = Annotated[float, Field(ge=-bounds.STAGE_M_MAX, le=bounds.STAGE_M_MAX, allow_inf_nan=False)]
Place = Annotated[list[Metres], Field(min_length=3, max_length=3)]
Angles = Annotated[
    list[Annotated[float, Field(ge=-360, le=360, allow_inf_nan=False)]],
    Field(min_length=2, max_length=2),
]
SoundLevel = Annotated[float, Field(ge=0, le=bounds.SOUND_DB_MAX, allow_inf_nan=False)]
Ohm = Annotated[float, Field(ge=bounds.OHM_MIN, le=bounds.OHM_MAX, allow_inf_nan=False)]
Watt = Annotated[float, Field(gt=0, le=bounds.WATT_MAX, allow_inf_nan=False)]
Metre = Annotated[float, Field(gt=0, le=bounds.CABLE_M_MAX, allow_inf_nan=False)]
Ampere = Annotated[float, Field(gt=0, le=bounds.AMPERE_MAX, allow_inf_nan=False)]
StandardName = Literal[
    "niosh",
    "osha-limit",
    "osha-conservation",
    "eu-lower",
    "eu-upper",
    "eu-limit",
    "listening-adult",
]
PatternName = Literal[
    "omni", "subcardioid", "cardioid", "supercardioid", "hypercardioid", "figure-8"
]


class Stage(Table):
    """`[stage]`: how the physics of the stage binds; the table switches it on."""

    margin_db: float = Field(
        6.0, ge=0, le=30, allow_inf_nan=False, description="Distance kept from the first ring, dB."
    )
    bound: Literal["power", "amplitude"] = Field(
        "power",
        description="power: waves meet at random; amplitude: the worst case of all phases.",
    )
    when_over: Literal["warn", "pull down"] = Field(
        "warn", description="What happens when the desk takes the stage past the margin."
    )
    pull_db_per_s: float = Field(
        12.0, ge=1, le=60, allow_inf_nan=False, description="How fast it is pulled down, dB/s."
    )
    standard: StandardName = Field("niosh", description="Rule by which exposure is counted.")
    warn_percent: list[Annotated[float, Field(gt=0, le=1000)]] = Field(
        default=[50.0, 80.0, 100.0], max_length=8, description="Doses at which to warn, %."
    )
    nominal_dbu: float = Field(
        4.0, ge=-20, le=24, allow_inf_nan=False, description="A bus output at nominal level, dBu."
    )
    temperature_c: float = Field(
        20.0, ge=-20, le=50, allow_inf_nan=False, description="Air on the stage, degrees Celsius."
    )
    mains_v: float = Field(
        230.0, ge=90, le=260, allow_inf_nan=False, description="Mains voltage, V."
    )
    device_a: Ampere | None = Field(
        None, description="Rating of the breaker or fuse that feeds the stage, A."
    )
    marks: str | None = Field(
        None,
        min_length=1,
        max_length=bounds.ADDRESS_CHARACTERS_MAX,
        description="File of the ring marks, relative to this file; RIG.marks.toml when missing.",
    )


class _Aimed(Table):
    at: Place = Field(description="Where it is: metres to stage left, upstage, up.")
    aim_at: Place | None = Field(None, description="A point that it looks at.")
    aim_deg: Angles | None = Field(
        None, description="Or azimuth (0 upstage, 90 stage left) and elevation, degrees."
    )


class Microphone(_Aimed):
    """`[[microphone]]`: what a channel hears with."""

    channel: str = Field(description="Id of the channel.")
    pattern: PatternName | None = Field(None, description="Polar pattern by name.")
    a: float | None = Field(
        None,
        ge=0,
        le=1,
        allow_inf_nan=False,
        description="Or by its pressure part, A of A + B cos.",
    )
    null_depth_db: float = Field(
        -25.0, ge=-60, le=0, allow_inf_nan=False, description="Nulls are no deeper than this, dB."
    )
    nominal_spl_db: SoundLevel = Field(
        description="Sound level at the capsule that gives nominal level, dB SPL."
    )


class Loudspeaker(_Aimed):
    """`[[loudspeaker]]`: a wedge, side fill or drum fill."""

    id: Id = Field(description="Short name used in this file.")
    label: Name | None = Field(None, description="Name shown to people; the id when missing.")
    kind: Literal["wedge", "side fill", "drum fill"] = Field("wedge", description="What it is.")
    bus: str = Field(description="Id of the bus that it plays.")
    side: Literal["both", "left", "right"] = Field(
        "both", description="Which side of a stereo bus it plays."
    )
    active: bool = Field(description="Has its amplifier inside.")
    spl_1m_db: SoundLevel | None = Field(
        None, description="Level at 1 m on axis when the bus puts out nominal level, dB SPL."
    )
    sensitivity_db: SoundLevel | None = Field(
        None, description="Passive: level of 1 W at 1 m, dB SPL; with its amplifier it gives that."
    )
    max_spl_db: SoundLevel | None = Field(None, description="Its greatest level at 1 m, dB SPL.")
    coverage_deg: float = Field(
        90.0, gt=0, le=360, allow_inf_nan=False, description="Full angle between its -6 dB edges."
    )
    rear_db: float = Field(
        -12.0, ge=-40, le=0, allow_inf_nan=False, description="Least level in any direction, dB."
    )
    impedance_ohm: Ohm | None = Field(None, description="Passive: rated impedance, ohm.")
    power_w: Watt | None = Field(None, description="Passive: continuous power that it takes, W.")
    mains_a: Ampere | None = Field(None, description="Active: current from the mains, A.")


class InEars(Table):
    """In-ears of a listener: no path back to a microphone."""

    bus: str = Field(description="Id of the bus.")
    nominal_spl_db: SoundLevel = Field(
        description="Level at the ear when the bus puts out nominal level, dB SPL."
    )
    seal_db: float = Field(
        0.0, ge=0, le=40, allow_inf_nan=False, description="How much of the stage they keep out."
    )


class Ear(Table):
    """`[[ear]]`: where somebody listens, and how loud it may get there."""

    performer: str = Field(description="Id of the performer.")
    at: Place = Field(description="Where the head is: metres to stage left, upstage, up.")
    in_ears: InEars | None = Field(None, description="Plays one bus into the ears.")
    most_db: SoundLevel | None = Field(
        None, description="The monitors may not pass this level at the ear, dB(A), an estimate."
    )


class Amplifier(Table):
    """`[[amplifier]]`: one case with one or several equal channels."""

    id: Id = Field(description="Short name used in this file.")
    label: Name | None = Field(None, description="Name shown to people; the id when missing.")
    channels: int = Field(2, ge=1, le=16, description="How many channels it has.")
    power_8_ohm_w: Watt = Field(description="Continuous power a channel into 8 ohm, W.")
    power_4_ohm_w: Watt | None = Field(None, description="The same into 4 ohm, W.")
    power_2_ohm_w: Watt | None = Field(None, description="The same into 2 ohm, W.")
    least_ohm: Ohm = Field(description="Lowest load a channel allows, ohm.")
    damping: float = Field(
        200.0, ge=1, le=100000, allow_inf_nan=False, description="Damping factor at 8 ohm."
    )
    gain_db: float = Field(
        32.0, ge=0, le=60, allow_inf_nan=False, description="Voltage gain as it is set, dB."
    )
    mains_a: Ampere | None = Field(None, description="Current from the mains, A.")


class End(Table):
    """One end of a line: a bus, an amplifier's input or output, or a loudspeaker."""

    bus: str | None = Field(None, description="A bus output of the console.")
    side: Literal["both", "left", "right"] = Field("both", description="Of a stereo bus.")
    amplifier: str | None = Field(None, description="Id of an amplifier; with `input` or `output`.")
    input: int | None = Field(None, ge=1, le=16, description="Its input; `from` one is its link.")
    output: int | None = Field(None, ge=1, le=16, description="Its power output.")
    loudspeaker: str | None = Field(
        None, description="Id of a loudspeaker; `from` one is its link-through."
    )


class Line(Table):
    """`[[line]]`: one cable from an output to an input."""

    start: End = Field(alias="from", description="Where the signal comes from.")
    end: End = Field(alias="to", description="Where it goes.")
    cable: Literal["signal", "loudspeaker", "instrument"] = Field(description="Kind of cable.")
    length_m: Metre = Field(description="Length, m.")
    mm2: float | None = Field(
        None, ge=0.05, le=50, allow_inf_nan=False, description="Section of a conductor, mm2."
    )
    awg: int | None = Field(None, ge=0, le=40, description="Or its gauge, AWG.")
    connector: Name | None = Field(None, description="What is on its ends.")
    joined: Literal["parallel", "series"] = Field(
        "parallel", description="How a loudspeaker joins what already hangs there."
    )
