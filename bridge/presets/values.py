"""A preset as slots and values, and a mix as a preset. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from typing import Literal, NamedTuple

from bridge.errors import Fault
from bridge.mix.matrix import LEVEL, Matrix
from bridge.presets.preset import (
    ALL,
    BusMix,
    Extent,
    Preset,
    PresetError,
    SendMix,
    What,
    db_of,
)
from bridge.rig.faults import names_of, shown
from bridge.rig.rig import ENGINEER, Rig
from bridge.units import FLOOR_DB, OFF

Target = tuple[int, float]
"""A slot and the value that it shall have."""

SAME = 0.0101
"""Levels and pans nearer than this are the same: presets keep hundredths of a dB."""


class Wanted(NamedTuple):
    """What to store.

    Attributes:
        buses: Ids of the buses.
        channels: Ids of the channels; None: all.
        what: Which kinds of values.
        label: Name shown to people.
        note: Whatever should be remembered.
        cue: Cue number that recalls it.
    """

    buses: Sequence[str]
    channels: Sequence[str] | None = None
    what: Sequence[What] = ALL
    label: str | None = None
    note: str | None = None
    cue: str | None = None


class Difference(NamedTuple):
    """A value that is not as a preset has it.

    Attributes:
        slot: The parameter.
        stored: As the preset has it.
        now: As it is asked now.
    """

    slot: int
    stored: float
    now: float


# -- from a preset to slots ----------------------------------------------------------------------


def targets(preset: Preset, m: Matrix) -> Iterator[Target]:
    """Every slot in a preset's scope with the value that it stores.

    Args:
        preset: Names channels and buses of the rig only.
        m: The numbering.
    """
    scope = preset.scope
    channels = {name: number for number, name in enumerate(m.layout.channels)}
    for name in scope.buses:
        bus, mix = m.layout.buses.index(name), preset.bus[name]
        if mix.master_db is not None and scope.has("master"):
            yield m.master + bus, db_of(mix.master_db)
        for channel, send in mix.send.items():
            cell = channels[channel] * m.buses + bus
            yield from _targets_of_send(send, scope, channel, m, cell)


def _targets_of_send(
    send: SendMix, scope: Extent, channel: str, m: Matrix, cell: int
) -> Iterator[Target]:
    if send.level_db is not None and scope.has("level", channel):
        yield m.send + cell, db_of(send.level_db)
    if send.on is not None and scope.has("on", channel):
        yield m.on + cell, float(send.on)
    if send.tap is not None and scope.has("tap", channel):
        yield m.tap + cell, 1.0 if send.tap == "post" else 0.0
    if send.pan is not None and scope.has("pan", channel):
        yield m.pan + cell, send.pan


def safe_slots(rig: Rig, m: Matrix) -> frozenset[int]:
    """What the rig keeps safe from recalls: cells of channels, whole buses, single cells."""
    found: set[int] = set()
    for safe in rig.file.recall_safe:
        channels = _indexes(rig.layout.channels, safe.channel)
        buses = _indexes(rig.layout.buses, safe.bus)
        cells = [c * m.buses + b for c in channels for b in buses]
        found.update(base + cell for base in (m.send, m.on, m.tap, m.pan) for cell in cells)
        if safe.channel is None:
            found.update(m.master + bus for bus in buses)
    return frozenset(found)


def _indexes(known: Sequence[str], name: str | None) -> Sequence[int]:
    return range(len(known)) if name is None else (known.index(name),)


def copied(m: Matrix, source: int, target: int, *, master: bool) -> Iterator[Target]:
    """The sends of one bus as targets for another; with ``master`` its master too.

    What the console cannot be told of the target, and what is not known of the source, is left out.
    """
    firsts = (m.send, m.on, m.tap, m.pan)
    cells = range(0, m.channels * m.buses, m.buses)
    pairs = [(first + cell + source, first + cell + target) for cell in cells for first in firsts]
    if master:
        pairs.append((m.master + source, m.master + target))
    for here, there in pairs:
        value = m.asked[here]
        if value == value and m.can_set[there]:
            yield there, value


# -- from a mix to a preset ----------------------------------------------------------------------


def stored(m: Matrix, rig: Rig, wanted: Wanted, who: int, when: datetime) -> Preset:
    """The mix as it is asked now, as a preset.

    Levels are rounded down to hundredths of a dB, so that no recall is louder than what was stored.

    Args:
        m: The mix.
        rig: What was declared.
        wanted: What to store.
        who: Performer's number, -1 the engineer.
        when: This moment.

    Raises:
        PresetError: a name that the rig does not have, or a bus that is not theirs.
    """
    _check(rig, wanted, who)
    channels = rig.layout.channels if wanted.channels is None else wanted.channels
    mixes = {}
    for name in wanted.buses:
        bus = rig.layout.buses.index(name)
        master = m.master + bus if "master" in wanted.what else -1
        sends = {
            channel: _send_now(m, rig.layout.channels.index(channel) * m.buses + bus, wanted.what)
            for channel in channels
        }
        mixes[name] = BusMix(
            master_db=_level_now(m, master) if master >= 0 else None,
            send={channel: send for channel, send in sends.items() if send != SendMix()},
        )
    return Preset(
        label=wanted.label, note=wanted.note, by=rig.person(who), when=when, cue=wanted.cue,
        scope=Extent(buses=list(wanted.buses)), bus=mixes,
    )  # fmt: skip


def _check(rig: Rig, wanted: Wanted, who: int) -> None:
    """Whether somebody may store this; a preset that nobody could recall is not written."""
    faults = []
    if not wanted.buses:
        faults.append(Fault("buses", "nothing", names_of(rig.layout.buses)))
    own = rig.layout.buses if who == ENGINEER else rig.file.performer[who].buses
    for name in wanted.buses:
        if name not in rig.layout.buses:
            faults.append(Fault("buses", shown(name), names_of(rig.layout.buses)))
        elif name not in own:
            expected = f"{names_of(own)}, the buses of {rig.person(who)}"
            faults.append(Fault("buses", shown(name), expected))
    for name in wanted.channels or ():
        if name not in rig.layout.channels:
            faults.append(Fault("channels", shown(name), names_of(rig.layout.channels)))
    for what in wanted.what:
        if what not in ALL:
            faults.append(Fault("what", shown(what), names_of(ALL)))
    if faults:
        raise PresetError(faults)


def _send_now(m: Matrix, cell: int, what: Iterable[What]) -> SendMix:
    """What is known of a cell and what the console can be told of it."""
    has = frozenset(what)
    on, tap, pan = m.on + cell, m.tap + cell, m.pan + cell
    return SendMix(
        level_db=_level_now(m, m.send + cell) if "level" in has else None,
        on=bool(m.asked[on]) if "on" in has and _known(m, on) else None,
        tap=("post" if m.asked[tap] else "pre") if "tap" in has and _known(m, tap) else None,
        pan=_pan_now(m, pan) if "pan" in has else None,
    )


def _known(m: Matrix, slot: int) -> bool:
    return bool(m.can_set[slot]) and m.asked[slot] == m.asked[slot]


def _level_now(m: Matrix, slot: int) -> float | Literal["off"] | None:
    if not _known(m, slot):
        return None
    level_db = m.asked[slot]
    if level_db <= FLOOR_DB:
        return "off"
    return max(FLOOR_DB, math.floor(level_db * 100.0 + 1e-6) / 100.0)


def _pan_now(m: Matrix, slot: int) -> float | None:
    return round(min(1.0, max(-1.0, m.asked[slot])), 3) if _known(m, slot) else None


# -- comparing -----------------------------------------------------------------------------------


def differences(wanted: Iterable[Target], m: Matrix) -> tuple[Difference, ...]:
    """Where the mix that is asked now is not as it was stored."""
    return tuple(
        Difference(slot, value, m.asked[slot]) for slot, value in wanted if not same(m, slot, value)
    )


def same(m: Matrix, slot: int, value: float) -> bool:
    """Whether a slot is asked to have a value already, as far as a preset can tell."""
    now = m.asked[slot]
    if m.kind[slot] == LEVEL:
        now = now if now > FLOOR_DB else OFF
    return now == value or abs(now - value) <= SAME
