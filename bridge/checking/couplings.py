"""What a rig's stage brings back into its microphones, and how far that lets the mixes go. Pure.

Estimates from what is declared: no room, no equaliser, nobody who moves. A measurement replaces
them. Levels are those that the bridge starts with; a post-fader send counts with its fader at 0 dB.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from bridge.checking.ground import Ground
from bridge.rig.layout import Parameter
from bridge.rig.stage import Stage
from bridge.stage import headroom
from bridge.stage.headroom import decibels, power
from bridge.stage.rings import RingMark, in_force
from bridge.stage.spectral import Array
from bridge.stage.survey import Survey, survey
from bridge.units import OFF

HEADS = ("bus", "heard most by", "coupling", "its send may reach", "beside the start mixes")


class Row(NamedTuple):
    """One bus and the microphone that hears it most.

    Attributes:
        bus: Its id.
        channel: Id of the channel; None where no microphone hears the bus.
        coupling_db: What the bus at unity brings back into the channel at unity, dB.
        alone_db: How far the send may go while nothing else is open, the master at nominal, dB.
        beside_db: The same beside all start mixes, all masters at nominal, dB; None where those
            stand past the margin by themselves.
    """

    bus: str
    channel: str | None
    coupling_db: float | None
    alone_db: float | None
    beside_db: float | None


@dataclass(frozen=True, slots=True)
class Air:
    """A rig's stage in figures.

    Attributes:
        survey: What is declared, as numbers.
        said: The rig's `[stage]`.
        start: Effective power (or amplitude) of each send at start, channels x buses.
        nominal: The same with masters at nominal.
        beyond: Slots of sends and masters that can be neither set nor read.
        rows: The loudest way back of each bus.
        marks: Ring marks in force: what was measured.
    """

    survey: Survey
    said: Stage
    start: Array
    nominal: Array
    beyond: tuple[int, ...]
    rows: tuple[Row, ...]
    marks: tuple[RingMark, ...]

    @property
    def per(self) -> float:
        """The bound's dB a decade: 10 for powers, 20 for amplitudes."""
        return 10.0 if self.said.bound == "power" else 20.0

    @property
    def coupling(self) -> Array:
        """H in the unit of the bound."""
        return in_force(self.survey.powers, self.survey.amplitudes, self.marks, self.per)

    @property
    def margin_tens(self) -> float:
        """The margin as ``headroom`` counts it: for powers."""
        return self.said.margin_db * 10.0 / self.per

    def left_db(self, mix: Array) -> float:
        """Distance of a mix to the first ring, dB; ``inf`` where nothing comes back."""
        return headroom.headroom_db(mix, self.coupling) * self.per / 10.0

    def powers(self, mix: Array) -> Array:
        """A mix as powers, whatever the bound."""
        return mix if self.per == 10.0 else mix * mix

    def text(self) -> list[list[str]]:
        """The table for people."""
        rows = [[r.bus, r.channel or "-", *map(_shown, r[2:])] for r in self.rows]
        for cells, row in zip(rows, self.rows, strict=True):
            if row.channel is not None and row.beside_db is None:
                cells[-1] = "past the margin"
        return [list(HEADS), *rows]

    def summary(self) -> str:
        """How far the start mixes stand from the first ring."""
        start_db, nominal_db = map(self.left_db, (self.start, self.nominal))
        heard = f"ring marks in force: {len(self.marks)}; the rest are estimates"
        basis = heard if self.marks else "estimates, not measured"
        if nominal_db == math.inf:
            return f"stage: nothing comes back into the start mixes; {basis}"
        return (
            f"stage: the start mixes are {_shown(start_db)} from the first ring, "
            f"{_shown(nominal_db)} with masters at nominal; the margin is "
            f"{self.said.margin_db:g} dB; {basis}"
        )

    def data(self) -> dict[str, Any]:
        """The same for machines; null where there is no bound."""
        return {
            "margin_db": self.said.margin_db,
            "bound": self.said.bound,
            "ring_marks": len(self.marks),
            "start_headroom_db": _finite(self.left_db(self.start)),
            "nominal_headroom_db": _finite(self.left_db(self.nominal)),
            "buses": [row._asdict() for row in self.rows],
        }


def air(ground: Ground, marks: tuple[RingMark, ...] = ()) -> Air:
    """Work a rig's stage out, with the ring marks in force.

    Raises:
        AssertionError: the rig has no stage.
    """
    said = ground.rig.file.stage
    assert said is not None, "the rig has a stage"
    found, beyond = survey(ground.rig), tuple(_beyond(ground))
    tens = 1.0 if said.bound == "power" else 2.0
    sends, start = _start(ground, set(beyond))
    nominal = [max(bus.nominal_db, OFF) for bus in ground.rig.file.bus]
    mixes = [power([[(level + master) / tens for level, master in zip(row, masters, strict=True)]
                    for row in sends]) for masters in (start, nominal)]  # fmt: skip
    bare = Air(found, said, mixes[0], mixes[1], beyond, (), marks)
    return Air(found, said, mixes[0], mixes[1], beyond, tuple(_rows(ground, bare, nominal)), marks)


def _beyond(ground: Ground) -> list[int]:
    """Sends and masters of which the bridge neither learns nor decides the level."""
    layout, console = ground.rig.layout, ground.console
    slots = [slot for kind in (Parameter.SEND_LEVEL, Parameter.BUS_MASTER)
             for slot in layout.slots(kind)]  # fmt: skip
    return [slot for slot in slots if slot not in console.can_set | console.can_read]


def _start(ground: Ground, beyond: set[int]) -> tuple[list[list[float]], list[float]]:
    """The levels of sends and masters at start, dB; what nobody knows stands at its ceiling."""
    file, layout = ground.rig.file, ground.rig.layout
    tops = [_top(bus.send_ceiling_db, file.limits.send_ceiling_db) for bus in file.bus]
    sends = [
        [
            tops[b] if layout.slot(Parameter.SEND_LEVEL, c, b) in beyond
            else bus.start_mix.get(channel.id, OFF)
            for b, bus in enumerate(file.bus)
        ]
        for c, channel in enumerate(file.channel)
    ]  # fmt: skip
    masters = [
        _top(bus.master_ceiling_db, file.limits.master_ceiling_db)
        if layout.slot(Parameter.BUS_MASTER, -1, b) in beyond
        else bus.start_db
        for b, bus in enumerate(file.bus)
    ]
    return sends, masters


def _top(own_db: float | None, all_db: float) -> float:
    return all_db if own_db is None else min(own_db, all_db)


def _rows(ground: Ground, air: Air, nominal: Sequence[float]) -> list[Row]:
    couplings = decibels(air.coupling) * air.per / 10.0
    room = headroom.room(air.nominal, air.coupling, air.margin_tens)
    tops = decibels(room.sends) * air.per / 10.0
    rows = []
    for b, bus in enumerate(ground.rig.layout.buses):
        c = int(couplings[:, b].argmax())
        coupling_db = float(couplings[c, b])
        if coupling_db == OFF:
            rows.append(Row(bus, None, None, None, None))
            continue
        alone_db = -air.said.margin_db - coupling_db - nominal[b]
        beside_db = float(tops[c, b]) - nominal[b] if room.stable else None
        rows.append(Row(bus, ground.rig.layout.channels[c], coupling_db, alone_db, beside_db))
    return rows


def _shown(level_db: float | None) -> str:
    if level_db is None:
        return "-"
    return "any" if level_db == math.inf else f"{level_db:.1f} dB"


def _finite(level_db: float) -> float | None:
    return level_db if math.isfinite(level_db) else None
