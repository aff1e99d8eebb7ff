"""From the console's outputs to the loudspeakers: chains, loads, what their cables cost. Pure.

Loads are networks of rated impedances, as the lines declare them: a loudspeaker joins, parallel or
in series, what hangs already where its own line begins. Estimates from printed ratings and new
copper; they do not replace measuring, the makers' papers or a qualified technician.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from bridge.rig.rig import Rig
from bridge.rig.stage import Amplifier, Line, Loudspeaker
from bridge.rig.wires import INPUT, LOUDSPEAKER, OUTPUT, Socket, Wires
from bridge.stage import cables, loads

OHM_MM2_PER_KM = max(size * ohm for size, ohm in cables.FLEXIBLE_OHM_PER_KM.items())
"""For a section that IEC 60228 does not list: the poorest of the listed ones by its copper."""

RATED_OHM = 8.0
"""Load at which rigs declare an amplifier's power and its damping factor."""


@dataclass(frozen=True, slots=True)
class Chain:
    """How a loudspeaker is reached.

    Attributes:
        loudspeaker: Its id.
        lines: The lines from the source to it, by number in the rig; none when none ends there.
            Where two lines meet, the one that is declared last.
        source: Where the chain begins: a bus output, or something that nothing feeds.
        amplifier: The amplifier that drives it, by id, and
        output: its output; None when none does.
        length_m: Length of all its lines, m.
        loop_ohm: Resistance of its lines from the power output on, both conductors; None where
            there is no power output, or a line does not say its section.
        loss_db: Change of level in these lines, dB, 0 or less; None when not known.
        damping: Its impedance over everything that feeds it; None when not known, and for boxes
            in series, where the other box stands in the feed.
    """

    loudspeaker: str
    lines: tuple[int, ...]
    source: Socket
    amplifier: str | None = None
    output: int | None = None
    length_m: float = 0.0
    loop_ohm: float | None = None
    loss_db: float | None = None
    damping: float | None = None


class Wiring:
    """A rig's lines with what they carry, worked out once.

    Attributes:
        wires: What is plugged where.
        ohms: Rated impedance of what hangs on each power output, and of each loudspeaker with
            all that hangs on its link-through, ohm; ``inf`` for nothing, NaN when not declared.
    """

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.wires = Wires(rig.file.line)
        self.boxes = {box.id: box for box in rig.file.loudspeaker}
        self.amplifiers = {each.id: each for each in rig.file.amplifier}
        self.ohms = self._networks(wired=False)
        self._wired = self._networks(wired=True)

    def load(self, amplifier: str, output: int) -> float | None:
        """Rated impedance of what hangs on a power output, ohm; None when nothing or not known."""
        ohm = self.ohms.get(Socket(OUTPUT, amplifier, output), math.inf)
        return ohm if math.isfinite(ohm) else None

    def hanging(self, at: Socket) -> list[int]:
        """The lines behind a power output or a loudspeaker, down to other inputs, by number."""
        lines: list[int] = []
        waiting, seen = [at], {at}
        while waiting:
            for number in self.wires.out_of.get(waiting.pop(), ()):
                lines.append(number)
                end = self.wires.ends[number]
                if end.kind == LOUDSPEAKER and end not in seen:
                    seen.add(end)
                    waiting.append(end)
        return sorted(set(lines))

    def chain(self, box: Loudspeaker) -> Chain:
        """How a loudspeaker is reached."""
        at = Socket(LOUDSPEAKER, box.id)
        lines, wires = self.wires.chain(at), self.wires
        source = wires.starts[lines[0]] if lines else at
        if source.kind == OUTPUT:
            source = Socket(INPUT, source.id, source.number)
        length_m = sum(self.rig.file.line[number].length_m for number in lines)
        outputs = [i for i, n in enumerate(lines) if wires.starts[n].kind == OUTPUT]
        if box.active or not outputs or self._enters(lines[outputs[-1] :]):
            return Chain(box.id, lines, source, length_m=length_m)
        driven = lines[outputs[-1] :]
        out = wires.starts[driven[0]]
        loop_ohm, loss_db = self._cost(driven)
        damping = self._damping(box, driven, out.id, loop_ohm)
        return Chain(
            box.id, lines, source, out.id, out.number, length_m, loop_ohm, loss_db, damping
        )

    def _enters(self, lines: tuple[int, ...]) -> bool:
        """Whether lines go into an amplifier's input on their way."""
        return any(self.wires.ends[number].kind == INPUT for number in lines)

    def _cost(self, lines: tuple[int, ...]) -> tuple[float | None, float | None]:
        """Loop resistance and loss of the lines from a power output on."""
        total_ohm, loss_db = 0.0, 0.0
        for number in lines:
            loop_ohm = line_ohm(self.rig.file.line[number])
            load = self._wired.get(self.wires.ends[number], math.nan)
            if loop_ohm is None:
                return None, None
            total_ohm += loop_ohm
            loss_db += cables.loss_db(load, loop_ohm) if math.isfinite(load) else math.nan
        return total_ohm, None if math.isnan(loss_db) else loss_db

    def _damping(
        self, box: Loudspeaker, lines: tuple[int, ...], amplifier: str, loop_ohm: float | None
    ) -> float | None:
        driver = self.amplifiers.get(amplifier)
        behind = [*lines, *self.hanging(Socket(LOUDSPEAKER, box.id))]
        in_series = any(self.rig.file.line[number].joined == "series" for number in behind)
        if driver is None or loop_ohm is None or box.impedance_ohm is None or in_series:
            return None
        own_ohm = cables.output_ohm(RATED_OHM, driver.damping)
        return cables.damping_factor(box.impedance_ohm, own_ohm, loop_ohm)

    def _networks(self, *, wired: bool) -> dict[Socket, float]:
        """Impedance behind each socket, with or without the resistance of the lines."""
        ohms: dict[Socket, float] = {}
        for at in self.wires.inward():
            if at.kind in (OUTPUT, LOUDSPEAKER):
                ohms[at] = self._network(at, ohms, wired=wired)
        return ohms

    def _network(self, at: Socket, behind: Mapping[Socket, float], *, wired: bool) -> float:
        box = self.boxes.get(at.id) if at.kind == LOUDSPEAKER else None
        ohm = math.inf
        if box is not None and not box.active:
            ohm = math.nan if box.impedance_ohm is None else box.impedance_ohm
        for number in self.wires.out_of.get(at, ()):
            line = self.rig.file.line[number]
            more = behind.get(self.wires.ends[number], math.inf)
            if wired:
                more += line_ohm(line) or 0.0
            ohm = _joined(ohm, more, line)
        return ohm


def _joined(ohm: float, more: float, line: Line) -> float:
    """Two loads as a line joins them; ``inf`` is nothing, NaN not known."""
    if math.isnan(ohm) or math.isnan(more):
        return math.nan
    if math.inf in (ohm, more):
        return min(ohm, more)
    join = loads.series_ohm if line.joined == "series" else loads.parallel_ohm
    return join(ohm, more)


def line_ohm(line: Line) -> float | None:
    """Resistance of a line, both conductors, ohm at 20 degrees C; None without a section."""
    if line.awg is not None:
        return cables.loop_ohm(line.length_m, cables.gauge_ohm_per_km(line.awg))
    if line.mm2 is None:
        return None
    known = cables.FLEXIBLE_OHM_PER_KM.get(line.mm2, OHM_MM2_PER_KM / line.mm2)
    return cables.loop_ohm(line.length_m, known)


def plate(said: Amplifier) -> loads.Amplifier:
    """An amplifier channel as its plate says, to judge its load."""
    rated_ohm = max(RATED_OHM, said.least_ohm)
    return loads.Amplifier(said.power_8_ohm_w, rated_ohm, said.least_ohm, said.gain_db)


def chains(rig: Rig) -> tuple[Chain, ...]:
    """How each loudspeaker is reached from the console, in rig order."""
    wiring = Wiring(rig)
    return tuple(wiring.chain(box) for box in rig.file.loudspeaker)


def load_of(rig: Rig, amplifier: str, output: int) -> float | None:
    """Rated impedance of everything that hangs on an amplifier's output, ohm.

    Args:
        rig: What was declared.
        amplifier: Id of the amplifier.
        output: Number of its output, from 1.

    Returns:
        The network of its passive loudspeakers by the lines, as they are joined; None when nothing
        hangs there, or an impedance is not declared.
    """
    return Wiring(rig).load(amplifier, output)
