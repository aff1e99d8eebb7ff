"""What would give more room before feedback, tried on the rig itself: turn, move, exchange. Pure.

Every figure is the headroom of the changed rig less that of the rig as it is, both counted anew.
Where a turned microphone hears its source less well, its gain is taken to make that good.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from bridge.plan import mixes
from bridge.plan.mixes import Air
from bridge.rig import stage as declared
from bridge.rig.model import RigFile
from bridge.rig.rig import Rig
from bridge.stage import coupling, geometry, survey
from bridge.stage.geometry import Point
from bridge.stage.patterns import PATTERNS
from bridge.stage.spectral import Array
from bridge.stage.survey import Survey

LEAST_DB = 1.0
"""Less than this is not worth the walk: a just audible step (``stage/hearing.py``)."""

PAIRS_TRIED = 6
PAIR_WITHIN_DB = 20.0
"""Loops this far below the loudest one do not decide when the stage rings."""

STEP_DEG = 5
CLOSE_DB = 0.5
"""Among aims as good as this, the one with the smallest turn is the one to take."""

EAR_LOSS_DB = 0.5
"""A wedge may not reach its listener worse than this after a move."""

ROOM_M = 0.5
"""Distance that a moved wedge keeps from everything else, m."""

SPOTS_TRIED = 4

TURN, MOVE, PATTERN = "turn the microphone", "move the wedge", "another pattern"


@dataclass(frozen=True, slots=True)
class Advice:
    """One change and what it brings.

    Attributes:
        kind: ``turn the microphone``, ``move the wedge`` or ``another pattern``.
        table: Table of the rig that it changes: ``microphone`` or ``loudspeaker``.
        number: Which one of these tables, from 0.
        changes: Keys of that table and what would stand there.
        against: Id of the loudspeaker that it is about.
        turned_deg: How far the microphone turns, degrees; 0 where it does not.
        moved_m: How far the wedge moves, m; 0 where it does not.
        source_db: Change of the source at the microphone, dB, 0 or less; its gain makes it good.
        ear_db: Change of level at the listener, dB; None where it does not matter or none is known.
        headroom_db: Headroom after the change, dB.
        helps_db: How much that is more than now, dB.
    """

    kind: str
    table: str
    number: int
    changes: dict[str, str | float | list[float]]
    against: str
    turned_deg: float
    moved_m: float
    source_db: float
    ear_db: float | None
    headroom_db: float
    helps_db: float


@dataclass(frozen=True, slots=True)
class Advised:
    """What helps, best first.

    Attributes:
        mix: Name of the mix that it is counted for.
        headroom_db: Headroom of that mix now, dB; ``inf`` where nothing comes back.
        tried: Number of changes counted.
        advice: Those that help.
    """

    mix: str
    headroom_db: float
    tried: int
    advice: tuple[Advice, ...]


@dataclass(frozen=True, slots=True)
class _Pair:
    """A microphone and a loudspeaker whose loop is among the loudest.

    Attributes:
        microphone: Number of the microphone's table.
        loudspeaker: Number of the loudspeaker's table.
        gain_db: Once round, dB.
    """

    microphone: int
    loudspeaker: int
    gain_db: float


@dataclass(frozen=True, slots=True)
class _Bench:
    """What every trial needs."""

    ground: Air
    known: Survey
    mix: str
    levels_db: Array
    now_db: float

    @property
    def file(self) -> RigFile:
        return self.ground.rig.file


def advise(ground: Air, known: Survey) -> Advised:
    """Try changes on the loudest loops and keep what helps by 1 dB or more.

    Counted for the mix of the show; where that has no loop, for every send at unity.
    """
    name = "show"
    levels = mixes.effective_db(ground, name)
    if ground.headroom_db(levels) == math.inf:
        name, levels = mixes.UNITY, mixes.effective_db(ground, mixes.UNITY)
    now_db = ground.headroom_db(levels)
    if now_db == math.inf:
        return Advised(name, now_db, 0, ())
    bench = _Bench(ground, known, name, levels, now_db)
    found = list(_tried(bench))
    kept = [each for each in found if each.helps_db >= LEAST_DB]
    kept.sort(key=lambda each: (-each.helps_db, each.table, each.number, each.kind))
    return Advised(name, now_db, len(found), tuple(kept))


def changed(rig: Rig, table: str, number: int, changes: dict[str, object]) -> Rig:
    """A rig with some keys of one table changed, as advised; not checked again."""
    tables = list(getattr(rig.file, table))
    tables[number] = tables[number].model_copy(update=changes)
    return Rig(rig.file.model_copy(update={table: tables}), rig.where, rig.layout, rig.text)


def _tried(bench: _Bench) -> Iterator[Advice]:
    pairs = _pairs(bench)
    for number in dict.fromkeys(pair.microphone for pair in pairs):
        worst = next(pair for pair in pairs if pair.microphone == number)
        yield from _turn(bench, worst)
        yield from _patterns(bench, worst)
    for number in dict.fromkeys(pair.loudspeaker for pair in pairs):
        yield from _move(bench, next(pair for pair in pairs if pair.loudspeaker == number))


def _pairs(bench: _Bench) -> list[_Pair]:
    """The loudest loops, one microphone and one loudspeaker each."""
    file, found = bench.file, []
    channels = {channel.id: number for number, channel in enumerate(file.channel)}
    buses = {bus.id: number for number, bus in enumerate(file.bus)}
    for m, said in enumerate(file.microphone):
        mic = survey.microphone(said)
        for s, (box, each) in enumerate(zip(file.loudspeaker, bench.known.loudspeakers,
                                            strict=True)):  # fmt: skip
            if each is not None:
                effective = bench.levels_db[channels[said.channel], buses[box.bus]]
                heard = each.level_db(mic.at) + coupling.heard_db(mic, each)
                found.append(_Pair(m, s, float(effective + heard)))
    loudest = max((pair.gain_db for pair in found), default=-math.inf)
    kept = [pair for pair in found if pair.gain_db > max(loudest - PAIR_WITHIN_DB, -math.inf)]
    kept.sort(key=lambda pair: (-pair.gain_db, pair.microphone, pair.loudspeaker))
    return kept[:PAIRS_TRIED]


def _headroom_db(bench: _Bench, rig: Rig) -> float:
    """Headroom of a changed rig in the bench's mix."""
    return mixes.air(rig, survey.survey(rig)).headroom_db(bench.levels_db)


_Change = tuple[str, int, dict[str, object]]
"""A table's name, its number, and the keys to change."""


def _advice(bench: _Bench, kind: str, against: int, change: _Change, **known: float | None
            ) -> Advice:  # fmt: skip
    """A change counted; ``known`` are the figures of ``Advice`` that are not 0 or None."""
    table, number, changes = change
    after_db = _headroom_db(bench, changed(bench.ground.rig, table, number, changes))
    helps_db = math.inf if after_db == math.inf else after_db - bench.now_db
    said = {key: value for key, value in changes.items() if value is not None}
    return Advice(
        kind, table, number, said, bench.file.loudspeaker[against].id,  # type: ignore[arg-type]
        known.get("turned_deg") or 0.0, known.get("moved_m") or 0.0,
        known.get("source_db") or 0.0, known.get("ear_db"), after_db, helps_db,
    )  # fmt: skip


# -- turn the microphone ------------------------------------------------------------------------


def aims(front: Point, within_deg: float) -> list[tuple[int, int]]:
    """Azimuths and elevations in steps whose direction lies within an angle of a front, degrees."""
    found = []
    for elevation in range(-90, 91, STEP_DEG):
        for azimuth in range(0, 360 if abs(elevation) < 90 else 1, STEP_DEG):
            off = geometry.angle_between_deg(front, geometry.aim(azimuth, elevation))
            if off <= within_deg:
                found.append((azimuth, elevation))
    return found


def _turn(bench: _Bench, pair: _Pair) -> Iterator[Advice]:
    said = bench.file.microphone[pair.microphone]
    mic = survey.microphone(said)
    choices = aims(mic.facing, min(mic.pattern.acceptance_deg(), 180.0) / 2.0)
    if not choices:
        return
    fronts = np.array([geometry.aim(*choice) for choice in choices])
    off = np.array([geometry.angle_between_deg(mic.facing, Point(*front)) for front in fronts])
    source = _heard(mic, fronts @ np.array(mic.facing))
    scores = _row(bench, mic, said, fronts) / source
    good = np.flatnonzero(scores <= scores.min() * 10.0 ** (CLOSE_DB / 10.0))
    best = int(good[np.argmin(off[good])])
    source_db = 10.0 * math.log10(float(source[best]))
    changes: dict[str, object] = {
        "aim_at": None,
        "aim_deg": [float(angle) for angle in choices[best]],
        "nominal_spl_db": round(said.nominal_spl_db + source_db, 2),
    }
    yield _advice(bench, TURN, pair.loudspeaker, ("microphone", pair.microphone, changes),
                  turned_deg=float(off[best]), source_db=source_db)  # fmt: skip


def _heard(mic: coupling.Microphone, cosines: Array) -> Array:
    """What a microphone hears at angles given by their cosines, power re its front."""
    flat = np.abs(mic.pattern.a + mic.pattern.b * cosines)
    return np.asarray(np.maximum(flat, 10.0 ** (mic.null_depth_db / 20.0)) ** 2)


def _row(bench: _Bench, mic: coupling.Microphone, said: declared.Microphone, fronts: Array
         ) -> Array:  # fmt: skip
    """What all loudspeakers bring back in the mix, power, one number a front."""
    file = bench.file
    row = bench.levels_db[[channel.id for channel in file.channel].index(said.channel)]
    buses = [bus.id for bus in file.bus]
    total = np.zeros(len(fronts))
    for box, each in zip(file.loudspeaker, bench.known.loudspeakers, strict=True):
        if each is not None:
            level_db = each.level_db(mic.at) + float(row[buses.index(box.bus)])
            toward = np.array(geometry.aim_at(mic.at, each.at))
            total += _heard(mic, fronts @ toward) * 10.0 ** ((level_db - 100.0) / 10.0)
    return total


# -- another pattern ----------------------------------------------------------------------------


def _patterns(bench: _Bench, pair: _Pair) -> Iterator[Advice]:
    now = survey.microphone(bench.file.microphone[pair.microphone]).pattern
    for name, pattern in PATTERNS.items():
        if abs(pattern.a - now.a) > 0.01:
            changes: dict[str, object] = {"pattern": name, "a": None}
            change = "microphone", pair.microphone, changes
            yield _advice(bench, PATTERN, pair.loudspeaker, change)


# -- move the wedge -----------------------------------------------------------------------------


def _move(bench: _Bench, pair: _Pair) -> Iterator[Advice]:
    """The best of the places at the same distance that the microphone hears least."""
    said = bench.file.loudspeaker[pair.loudspeaker]
    if said.kind != "wedge":
        return
    mic = survey.microphone(bench.file.microphone[pair.microphone])
    at = Point(*said.at)
    found: list[Advice] = []
    for spot in _spots(mic, at):
        if len(found) >= SPOTS_TRIED:
            break
        if not _is_free(bench, pair.loudspeaker, spot):
            continue
        changes = _moved(bench, said, mic.at, spot)
        ear_db = _ear_change_db(bench, pair.loudspeaker, changes)
        if not (ear_db or 0.0) < -EAR_LOSS_DB:
            change = "loudspeaker", pair.loudspeaker, changes
            found.append(_advice(bench, MOVE, pair.loudspeaker, change, ear_db=ear_db,
                                 moved_m=geometry.distance_m(at, spot)))  # fmt: skip
    if found:
        yield max(found, key=lambda each: each.helps_db)


def _spots(mic: coupling.Microphone, at: Point) -> list[Point]:
    """Places on the floor of a wedge, as far from a microphone, that it hears least; near first."""
    reach = math.hypot(at.x - mic.at.x, at.y - mic.at.y)
    ring = [
        Point(
            round(mic.at.x + reach * math.sin(math.radians(azimuth)), 2),
            round(mic.at.y + reach * math.cos(math.radians(azimuth)), 2),
            at.z,
        )
        for azimuth in range(0, 360, STEP_DEG)
    ]
    ring = [spot for spot in ring if geometry.distance_m(spot, mic.at) > 0.05]
    least = min((mic.toward_db(spot) for spot in ring), default=0.0)
    if not least < mic.toward_db(at) - LEAST_DB:
        return []
    kept = [spot for spot in ring if mic.toward_db(spot) <= least + CLOSE_DB]
    return sorted(kept, key=lambda spot: geometry.distance_m(spot, at))


def _moved(bench: _Bench, said: declared.Loudspeaker, mic: Point, spot: Point
           ) -> dict[str, object]:  # fmt: skip
    """A wedge at another place, aimed as before at its point, else at its listener."""
    target = said.aim_at
    if target is None:
        ears = [ear.at for ear in _listeners(bench, said.bus)]
        target = min(ears, key=lambda ear: math.dist(ear, said.at)) if ears else list(mic)
    return {"at": list(spot), "aim_at": target, "aim_deg": None}


def _listeners(bench: _Bench, bus: str) -> list[declared.Ear]:
    """Those who hear a bus from its wedges."""
    own = {person.id for person in bench.file.performer if bus in person.buses}
    return [ear for ear in bench.file.ear if ear.performer in own and ear.in_ears is None]


def _ear_change_db(bench: _Bench, number: int, changes: dict[str, object]) -> float | None:
    """Change of a bus at the listener who loses most by a moved wedge, dB; None without one."""
    rig = bench.ground.rig
    said = rig.file.loudspeaker[number]
    after = list(bench.known.loudspeakers)
    after[number] = survey.loudspeaker(rig, said.model_copy(update=changes))
    plays = [box.bus == said.bus for box in rig.file.loudspeaker]
    losses = [
        _bus_db(ear, after, plays) - _bus_db(ear, bench.known.loudspeakers, plays)
        for ear in _listeners(bench, said.bus)
    ]
    return min(losses, default=None)


def _bus_db(
    ear: declared.Ear, boxes: Sequence[coupling.Loudspeaker | None], plays: list[bool]
) -> float:
    """Level of a bus at an ear, both sides together, dB SPL."""
    heard = [each for each, own in zip(boxes, plays, strict=True) if own and each is not None]
    return coupling.levels_at(Point(*ear.at), heard)[0]


def _is_free(bench: _Bench, number: int, spot: Point) -> bool:
    """Whether a place lies within what the rig uses of the stage, and nothing stands there."""
    file = bench.file
    boxes = [each.at for index, each in enumerate(file.loudspeaker) if index != number]
    taken = [*(each.at for each in file.microphone), *boxes, *(each.at for each in file.ear)]
    every = [*taken, file.loudspeaker[number].at]
    inside = all(
        min(at[axis] for at in every) - ROOM_M <= spot[axis] <= max(at[axis] for at in every)
        + ROOM_M for axis in (0, 1)
    )  # fmt: skip
    return inside and all(math.dist(spot[:2], at[:2]) >= ROOM_M for at in boxes) and all(
        math.dist(spot, at) >= ROOM_M for at in taken
    )  # fmt: skip
