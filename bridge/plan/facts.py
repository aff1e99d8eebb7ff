"""Everything that a plan says of a rig, as plain data. Pure."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from bridge.errors import Fault, RigError
from bridge.plan import advice, care, ears, mixes, patch, power
from bridge.plan import scene as scenes
from bridge.plan.mixes import Air
from bridge.plan.scene import Scene
from bridge.plan.words import number
from bridge.rig import stage as declared
from bridge.rig.rig import Rig
from bridge.stage import coupling, exposure, joins
from bridge.stage import survey as surveys
from bridge.stage.survey import Survey
from bridge.units import OFF


@dataclass(frozen=True, slots=True)
class Basis:
    """What all figures refer to.

    Attributes:
        bound: ``power`` or ``amplitude``.
        margin_db: Distance kept from the first ring, dB.
        when_over: What the bridge does when the desk passes it.
        nominal_dbu: A bus output at nominal level, dBu.
        temperature_c: Air, degrees C.
        standard: Name of the rule for exposure.
        source: Where that rule is written.
        criterion_db: Level that the rule allows for its time, dB(A).
        criterion_s: That time, s.
    """

    bound: str
    margin_db: float
    when_over: str
    nominal_dbu: float
    temperature_c: float
    standard: str
    source: str
    criterion_db: float
    criterion_s: float


@dataclass(frozen=True, slots=True)
class Coupling:
    """What one bus at unity brings back into one microphone.

    Attributes:
        level_db: dB; ``-inf`` for nothing.
        worst: Key of the loudspeaker that brings most; empty for none.
    """

    level_db: float
    worst: str


@dataclass(frozen=True, slots=True)
class Join:
    """A join that should not be.

    Attributes:
        kind: What is wrong.
        fit: ``refuse`` or ``warn``.
        where: File, line and key.
        text: What was found.
        remedy: What to do.
    """

    kind: str
    fit: str
    where: str
    text: str
    remedy: str


@dataclass(frozen=True, slots=True)
class Plan:
    """All of it.

    Attributes:
        name: The rig's name.
        file: The rig's file.
        engineer: Who looks after the monitors.
        buses: Names of the buses, in the order of every list a bus.
        channels: Names of the channels, likewise.
        basis: What the figures refer to.
        scene: What stands where.
        couplings: Microphones x buses, in the order of ``scene.microphones``.
        mixes: The start mix and the show mix.
        advised: What would give more room.
        routes: The patch list.
        outputs: Every amplifier channel.
        joins: Wrong joins, those that break something first.
        mains: What it draws.
        exposed: Estimated levels at ears.
        cautions: What can hurt.
        missing: What is left out, and why.
        warnings: What should be looked at before load-in.
    """

    name: str
    file: str
    engineer: str
    buses: tuple[str, ...]
    channels: tuple[str, ...]
    basis: Basis
    scene: Scene
    couplings: tuple[tuple[Coupling, ...], ...]
    mixes: tuple[mixes.Mix, ...]
    advised: advice.Advised
    routes: tuple[patch.Route, ...]
    outputs: tuple[power.Output, ...]
    joins: tuple[Join, ...]
    mains: power.Mains
    exposed: tuple[ears.Exposed, ...]
    cautions: tuple[care.Caution, ...]
    missing: tuple[str, ...]
    warnings: tuple[str, ...]


def plan_of(rig: Rig) -> Plan:
    """Work a plan out.

    Raises:
        RigError: the stage's geometry is impossible.
    """
    try:
        known = surveys.survey(rig)
        stage = scenes.scene(rig, known)
        ground = mixes.air(rig, known)
        counted = tuple(mixes.mix(ground, name) for name in ("start", "show"))
        advised = advice.advise(ground, known)
        exposed = ears.exposure(ground, known)
    except ValueError as problem:
        raise RigError([Fault(f"{rig.where} stage", str(problem), "a possible stage")]) from None
    wrong = tuple(_join(rig, each) for each in joins.joins(rig))
    outputs, mains = power.outputs(rig), power.mains(rig)
    return Plan(
        rig.file.rig.name, rig.where, rig.file.engineer.name,
        tuple(bus.label or bus.id for bus in rig.file.bus),
        tuple(each.label or each.id for each in rig.file.channel),
        _basis(rig), stage, _couplings(rig, ground, known, stage), counted, advised,
        patch.routes(rig, stage), outputs, wrong, mains, exposed,
        care.cautions(rig), care.missing(rig, known),
        tuple(_warnings(counted, ground, wrong, mains, exposed)),
    )  # fmt: skip


def data(plan: Plan) -> dict[str, Any]:
    """A plan for machines: dicts, lists, texts and finite numbers; what has no value is None.

    A level of None is off (``now_db``) or without a limit (``stage_db``); a time of None is
    without a limit.
    """
    plain = _plain(plan)
    assert isinstance(plain, dict)
    return plain


def _plain(value: object) -> object:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = dataclasses.fields(value)
        return {field.name: _plain(getattr(value, field.name)) for field in fields}
    if isinstance(value, dict):
        return {str(key): _plain(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    if isinstance(value, bool | int) or value is None:
        return value
    if isinstance(value, float):
        return round(float(value), 6) if math.isfinite(value) else None
    return str(value)


def _basis(rig: Rig) -> Basis:
    stage, rule = rig.file.stage or declared.Stage(), ears.standard(rig)
    return Basis(
        stage.bound, stage.margin_db, stage.when_over, stage.nominal_dbu, stage.temperature_c,
        rule.name, rule.source, rule.criterion_db, rule.criterion_s,
    )  # fmt: skip


def _couplings(
    rig: Rig, ground: Air, known: Survey, stage: Scene
) -> tuple[tuple[Coupling, ...], ...]:
    levels = mixes.coupling_db(ground)
    by_channel = {mic.channel: mic for mic in stage.microphones}
    rows = []
    for mic in by_channel.values():
        heard = known.microphones[mic.channel]
        assert heard is not None, "a microphone on the plan is one in the survey"
        row = [
            Coupling(float(levels[mic.channel, b]), _worst_of(rig, known, heard, bus.id))
            for b, bus in enumerate(rig.file.bus)
        ]
        rows.append(tuple(row))
    return tuple(rows)


def _worst_of(rig: Rig, known: Survey, heard: coupling.Microphone, bus: str) -> str:
    """The key of the loudspeaker of a bus that a microphone hears most of."""
    worst, most = "", OFF
    for index, (box, each) in enumerate(zip(rig.file.loudspeaker, known.loudspeakers,
                                            strict=True), 1):  # fmt: skip
        if box.bus == bus and each is not None:
            level = each.level_db(heard.at) + coupling.heard_db(heard, each)
            if level > most:
                worst, most = f"W{index}", level
    return worst


def _join(rig: Rig, wrong: joins.Wrong) -> Join:
    return Join(str(wrong.kind), str(wrong.fit), rig.at(wrong.where), wrong.text, wrong.remedy)


def _warnings(
    counted: tuple[mixes.Mix, ...],
    ground: Air,
    wrong: tuple[Join, ...],
    mains: power.Mains,
    exposed: tuple[ears.Exposed, ...],
) -> Iterator[str]:
    for mix in counted:
        if not mix.within:
            yield (
                f"{ground.rig.where}: the {mix.name} mix has {number(mix.headroom_db)} dB of "
                f"headroom, and the margin is {ground.margin_db:g} dB; lower its sends or masters, "
                "or follow the advice"
            )
    yield from (f"{each.where}: {each.text}; {each.remedy}" for each in wrong)
    if mains.fits is False:
        yield f"{ground.rig.where}: mains: {mains.reason}"
    rule = ears.standard(ground.rig)
    for ear in exposed:
        yield from _too_loud(ground, ear, rule)


def _too_loud(ground: Air, ear: ears.Exposed, rule: exposure.Standard) -> Iterator[str]:
    for level in ear.levels:
        if level.mix == "most":
            continue
        most_db = min(rule.ceiling_db, math.inf if ear.most_db is None else ear.most_db)
        if level.level_db > most_db:
            yield (
                f"{ground.rig.where}: the {level.mix} mix is estimated at "
                f"{number(level.level_db)} dB(A) at {ear.name}'s ears, and at most "
                f"{most_db:g} is allowed there; lower {level.bus}"
            )
