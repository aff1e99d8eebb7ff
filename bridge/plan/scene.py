"""What stands on the stage, with the keys that the drawing and the tables share. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.plan.words import bus_label
from bridge.rig.rig import Rig
from bridge.stage import coupling, geometry, survey
from bridge.stage.geometry import Point
from bridge.stage.sound import delay_s
from bridge.stage.survey import Survey


@dataclass(frozen=True, slots=True)
class Worst:
    """The loudspeaker that a microphone hears most of, its bus at unity.

    Attributes:
        loudspeaker: The loudspeaker's key.
        coupling_db: What comes back, dB.
        off_axis_deg: How far it stands off the microphone's front, degrees.
        distance_m: How far away it stands, m.
    """

    loudspeaker: str
    coupling_db: float
    off_axis_deg: float
    distance_m: float


@dataclass(frozen=True, slots=True)
class Microphone:
    """A microphone on the plan.

    Attributes:
        key: ``M1`` and so on, in the order of the channels.
        channel: Number of its channel, from 0.
        table: Number of its table in the rig, from 0.
        name: What people call the channel.
        at: Where it is, m.
        azimuth_deg: Where its front looks, 0..360.
        elevation_deg: And how far up, -90..90.
        pattern: The pattern's name, or its formula.
        a: Pressure part of the pattern, 0..1.
        null_deg: Angle of the null off the front; None without one.
        null_depth_db: Nulls are held above this depth, dB.
        acceptance_deg: Full front arc within 3 dB, degrees.
        nominal_spl_db: Level at the capsule that gives nominal level, dB SPL.
        worst: What it hears most of; None where nothing is known.
    """

    key: str
    channel: int
    table: int
    name: str
    at: Point
    azimuth_deg: float
    elevation_deg: float
    pattern: str
    a: float
    null_deg: float | None
    null_depth_db: float
    acceptance_deg: float
    nominal_spl_db: float
    worst: Worst | None


@dataclass(frozen=True, slots=True)
class Loudspeaker:
    """A loudspeaker on the plan.

    Attributes:
        key: ``W1`` and so on, in the order of the rig.
        id: Its id in the rig.
        name: What people call it.
        kind: Wedge, side fill or drum fill.
        bus: What people call its bus.
        side: Both, left or right.
        active: Has its amplifier inside.
        at: Where it is, m.
        azimuth_deg: Where its axis points, 0..360.
        elevation_deg: And how far up, -90..90.
        coverage_deg: Full angle between its -6 dB edges.
        spl_1m_db: Level at 1 m at nominal level, dB SPL; None where it is not known.
        spare_db: How far the bus may pass nominal level before this box or its amplifier is at
            its most, dB; None where nothing says.
    """

    key: str
    id: str
    name: str
    kind: str
    bus: str
    side: str
    active: bool
    at: Point
    azimuth_deg: float
    elevation_deg: float
    coverage_deg: float
    spl_1m_db: float | None
    spare_db: float | None


@dataclass(frozen=True, slots=True)
class Heard:
    """One loudspeaker at one ear.

    Attributes:
        loudspeaker: Its key.
        distance_m: How far away, m.
        delay_ms: How much later the sound arrives than it left, ms.
        level_db: Level at nominal level of the bus, dB SPL, estimated; None where not known.
    """

    loudspeaker: str
    distance_m: float
    delay_ms: float
    level_db: float | None


@dataclass(frozen=True, slots=True)
class Listener:
    """Somebody who listens.

    Attributes:
        key: ``E1`` and so on.
        performer: Id of the performer.
        name: What people call them.
        at: Where the head is, m.
        in_ears: The bus that plays into the ears; None without.
        seal_db: How much of the stage the in-ears keep out, dB.
        most_db: The monitors may not pass this at the ear, dB(A); None where nothing is said.
        hears: The loudspeakers of the person's own buses.
    """

    key: str
    performer: str
    name: str
    at: Point
    in_ears: str | None
    seal_db: float
    most_db: float | None
    hears: tuple[Heard, ...]


@dataclass(frozen=True, slots=True)
class Scene:
    """Everything that has a place."""

    microphones: tuple[Microphone, ...]
    loudspeakers: tuple[Loudspeaker, ...]
    listeners: tuple[Listener, ...]


def scene(rig: Rig, known: Survey) -> Scene:
    """Put what a rig declares onto a plan.

    Args:
        rig: The rig.
        known: Its survey.
    """
    loudspeakers = tuple(_loudspeaker(rig, number) for number in range(len(rig.file.loudspeaker)))
    return Scene(
        tuple(_microphones(rig, known)),
        loudspeakers,
        tuple(_listener(rig, known, number) for number in range(len(rig.file.ear))),
    )


def key_of(rig: Rig, loudspeaker: str) -> str:
    """The key of a loudspeaker by its id."""
    names = [each.id for each in rig.file.loudspeaker]
    return f"W{names.index(loudspeaker) + 1}" if loudspeaker in names else loudspeaker


def _microphones(rig: Rig, known: Survey) -> list[Microphone]:
    order = {channel.id: number for number, channel in enumerate(rig.file.channel)}
    said = sorted(enumerate(rig.file.microphone), key=lambda pair: order[pair[1].channel])
    found = []
    for number, (table, each) in enumerate(said, 1):
        channel, mic = order[each.channel], survey.microphone(each)
        pattern = each.pattern or f"A = {mic.pattern.a:g}, B = {mic.pattern.b:g}"
        found.append(Microphone(
            f"M{number}", channel, table, rig.channel_label(channel), mic.at,
            *geometry.azimuth_elevation_deg(mic.facing), pattern, mic.pattern.a,
            mic.pattern.null_deg, mic.null_depth_db, mic.pattern.acceptance_deg(),
            mic.nominal_spl_db, _worst(mic, known),
        ))  # fmt: skip
    return found


def _worst(mic: coupling.Microphone, known: Survey) -> Worst | None:
    found = [
        (s.level_db(mic.at) + coupling.heard_db(mic, s), number, s)
        for number, s in enumerate(known.loudspeakers)
        if s is not None
    ]
    if not found:
        return None
    level_db, number, s = max(found, key=lambda each: (each[0], -each[1]))
    return Worst(
        f"W{number + 1}",
        level_db,
        geometry.off_axis_deg(mic.at, mic.facing, s.at),
        geometry.distance_m(mic.at, s.at),
    )


def _loudspeaker(rig: Rig, number: int) -> Loudspeaker:
    said = rig.file.loudspeaker[number]
    spare_db = survey.spare(rig, said)
    return Loudspeaker(
        f"W{number + 1}", said.id, said.label or said.id, said.kind, bus_label(rig, said.bus),
        said.side, said.active, Point(*said.at),
        *geometry.azimuth_elevation_deg(survey.facing(said)),
        said.coverage_deg, survey.nominal_1m_db(rig, said),
        spare_db if spare_db < float("inf") else None,
    )  # fmt: skip


def _listener(rig: Rig, known: Survey, number: int) -> Listener:
    said = rig.file.ear[number]
    person = next((p for p in rig.file.performer if p.id == said.performer), None)
    own = set(person.buses) if person else set()
    at = Point(*said.at)
    stage = rig.file.stage
    warmth = stage.temperature_c if stage else 20.0
    hears = []
    for place, (box, each) in enumerate(zip(rig.file.loudspeaker, known.loudspeakers, strict=True)):
        if box.bus in own:
            away = geometry.distance_m(at, Point(*box.at))
            level_db = None if each is None else each.level_db(at)
            hears.append(Heard(f"W{place + 1}", away, 1000.0 * delay_s(away, warmth), level_db))
    ears = said.in_ears
    return Listener(
        f"E{number + 1}", said.performer, (person.name or person.id) if person else said.performer,
        at, bus_label(rig, ears.bus) if ears else None, ears.seal_db if ears else 0.0,
        said.most_db, tuple(hears),
    )  # fmt: skip
