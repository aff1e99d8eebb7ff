"""What is plugged into what, from the console's outputs to the ears. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.plan.scene import Scene
from bridge.plan.words import bus_label
from bridge.rig.rig import Rig
from bridge.rig.stage import Line
from bridge.rig.wires import BUS, INPUT, LOUDSPEAKER, Socket
from bridge.stage.joins import socket_name
from bridge.stage.wiring import Wiring

AIR, IN_EARS, CABLE = "air", "in-ears", "cable"


@dataclass(frozen=True, slots=True)
class Leg:
    """One step of the way.

    Attributes:
        kind: ``cable``, ``air`` or ``in-ears``.
        line: Number of the line in the rig, from 0; None where there is no cable.
        start: Where it starts, in words.
        end: Where it goes, in words.
        cable: Kind of cable; empty where none.
        connector: What is on its ends; empty where not said.
        length_m: Length of the cable or of the way through the air, m; None for in-ears.
        section: The conductor: ``2.5 mm\u00b2`` or ``AWG 12``; empty where not said.
        joined: ``parallel`` or ``series``, where a loudspeaker joins another one; else empty.
        delay_ms: How long sound takes through the air, ms; None in cables, where it takes none
            that counts.
    """

    kind: str
    line: int | None
    start: str
    end: str
    cable: str = ""
    connector: str = ""
    length_m: float | None = None
    section: str = ""
    joined: str = ""
    delay_ms: float | None = None


@dataclass(frozen=True, slots=True)
class Route:
    """Everything that one bus feeds, in the order in which it is plugged.

    Attributes:
        bus: What people call the bus; empty for lines that no bus feeds.
        console: The console's own number or name of it.
        legs: The way, from the console's output to the ears.
    """

    bus: str
    console: str
    legs: tuple[Leg, ...]


def routes(rig: Rig, stage: Scene) -> tuple[Route, ...]:
    """The patch list, one route a bus; lines that no bus feeds come last."""
    wiring = Wiring(rig)
    told: set[int] = set()
    found = []
    for bus in rig.file.bus:
        starts = [at for at in wiring.wires.out_of if at.kind == BUS and at.id == bus.id]
        legs = [leg for at in sorted(starts) for leg in _behind(wiring, at, told)]
        legs += _to_ears(rig, stage, bus.id)
        if legs:
            found.append(Route(bus.label or bus.id, str(bus.console), tuple(legs)))
    rest = [number for number in range(len(rig.file.line)) if number not in told]
    if rest:
        found.append(Route("", "", tuple(_leg(wiring, number) for number in rest)))
    return tuple(found)


def _behind(wiring: Wiring, at: Socket, told: set[int]) -> list[Leg]:
    """The lines that a socket feeds, each followed by what hangs on it."""
    legs = []
    waiting = [at]
    while waiting:
        here = waiting.pop()
        for number in wiring.wires.out_of.get(here, ()):
            if number not in told:
                told.add(number)
                legs.append(_leg(wiring, number))
        after = [end for end in wiring.wires.fed(here) if end != at]
        waiting += [end for end in reversed(after) if _is_new(wiring, end, told)]
    return legs


def _is_new(wiring: Wiring, at: Socket, told: set[int]) -> bool:
    """Whether lines that nobody was told of hang on a socket, or on its output."""
    outs = [*wiring.wires.out_of.get(at, ())]
    for end in wiring.wires.fed(at):
        outs += wiring.wires.out_of.get(end, ())
    return any(number not in told for number in outs)


def _leg(wiring: Wiring, number: int) -> Leg:
    line = wiring.rig.file.line[number]
    start, end = wiring.wires.starts.get(number), wiring.wires.ends.get(number)
    return Leg(
        CABLE, number,
        _from(wiring.rig, start) if start else "not said",
        socket_name(wiring.rig, end) if end else "not said",
        line.cable, line.connector or "", line.length_m, section(line),
        _joined(line, start, end),
    )  # fmt: skip


def _from(rig: Rig, start: Socket) -> str:
    name = socket_name(rig, start)
    if start.kind == INPUT:
        return f"link of {name}"
    return f"link-through of {name}" if start.kind == LOUDSPEAKER else name


def _joined(line: Line, start: Socket | None, end: Socket | None) -> str:
    """How a loudspeaker joins another one; nothing to say where it is alone on its output."""
    boxes = start is not None and end is not None and {start.kind, end.kind} == {LOUDSPEAKER}
    return line.joined if boxes or line.joined == "series" else ""


def section(line: Line) -> str:
    """The conductor of a line in words; empty where the rig does not say."""
    if line.awg is not None:
        return f"AWG {line.awg}"
    return "" if line.mm2 is None else f"{line.mm2:g} mm\u00b2"


def _to_ears(rig: Rig, stage: Scene, bus: str) -> list[Leg]:
    """The last steps: through the air, or straight into the ears."""
    label, legs = bus_label(rig, bus), []
    names = {each.key: each for each in stage.loudspeakers}
    for ear, said in zip(stage.listeners, rig.file.ear, strict=True):
        for heard in ear.hears:
            box = names[heard.loudspeaker]
            if rig.file.loudspeaker[stage.loudspeakers.index(box)].bus == bus:
                legs.append(Leg(AIR, None, f"{box.key} {box.name}", f"{ear.key} {ear.name}",
                                length_m=heard.distance_m, delay_ms=heard.delay_ms))  # fmt: skip
        if said.in_ears is not None and said.in_ears.bus == bus:
            legs.append(Leg(IN_EARS, None, f"the output of bus {label}", f"{ear.key} {ear.name}"))
    return legs
