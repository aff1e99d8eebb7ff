"""What is worth knowing of a running bridge, at one moment, as plain data. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from bridge.guard.stall import LATE_S
from bridge.house import House
from bridge.mix.gesture import OUTCOMES


class LinkLike(Protocol):
    """What is told of a link."""

    name: str
    state: str
    received: int
    sent: int
    dropped: int
    refused: int


@dataclass(frozen=True, slots=True)
class LinkFacts:
    """One link: its name, its state, and its counters of messages since the start."""

    name: str
    state: str
    received: int
    sent: int
    dropped: int
    refused: int


@dataclass(frozen=True, slots=True)
class Run:
    """What the process knows of itself.

    Attributes:
        version: Of the bridge.
        since_unix_s: When it started, Unix time, s.
        up_s: For how long it has been running, s.
        memory_bytes: Memory in use; 0 where the system does not say.
        cpu_s: Processor time used, s.
        stalls: How often the loop stood still.
        longest_stall_s: The longest of these times, s.
        asleep_s: Time that the machine slept, s.
        late: Turns of the loop by how late they were, a count a bound of ``LATE_S``.
        late_sum_s: All lateness together, s.
        stalled_lately: Whether one of them is news still.
        faults: How often the house failed to act.
        last_fault: The last of these failures, in words.
        failed_lately: Whether one of them is news still.
        failing: The house fails all the time now.
        floods: How many floods and stuck controls there were.
        thinned: Values that went no further because of them.
        returned: How the levels came back at start, and why so, in words.
        journal: What is wrong with the journal, in words; empty when nothing is.
    """

    version: str
    since_unix_s: float = 0.0
    up_s: float = 0.0
    memory_bytes: int = 0
    cpu_s: float = 0.0
    stalls: int = 0
    longest_stall_s: float = 0.0
    asleep_s: float = 0.0
    late: tuple[int, ...] = (0,) * len(LATE_S)
    late_sum_s: float = 0.0
    stalled_lately: bool = False
    faults: int = 0
    last_fault: str = ""
    failed_lately: bool = False
    failing: bool = False
    floods: int = 0
    thinned: int = 0
    returned: str = ""
    journal: str = ""


@dataclass(frozen=True, slots=True)
class Facts:
    """A bridge at one moment.

    Attributes:
        run: What the process knows of itself.
        rig: The rig's name.
        console: ``reading``, ``live`` or ``lost``.
        started: Every bus is ready to be opened.
        unanswered: Questions that the console has not answered.
        told: Messages that left for the console.
        desk_moves: How often the desk moved by itself.
        unsure: Words that the console is not known to have.
        links: Every link, the console's last.
        troubled: Controllers that are thinned out, with the reason in words.
        wishes: How many were taken, limited and refused.
        unknown: Messages that meant nothing, by who said them.
        malformed: Bundles that were none.
        held_back: Words that the last check before the console held back.
        buses: Labels, and whether each is open.
        over: The desk took the stage past its margin.
        silent: Everything is silenced.
    """

    run: Run
    rig: str
    console: str
    started: bool
    unanswered: int
    told: int
    desk_moves: int
    unsure: int
    links: tuple[LinkFacts, ...]
    troubled: dict[str, str]
    wishes: dict[str, int]
    unknown: dict[str, int]
    malformed: int
    held_back: int
    buses: tuple[tuple[str, bool], ...]
    over: bool
    silent: bool


def facts(house: House, links: Sequence[LinkLike], run: Run) -> Facts:
    """Look at a house and its links; costs what is counted here, however much comes in."""
    engine, console, controllers = house.engine, house.console, house.controllers
    m, rig = engine.matrix, house.rig
    words = [(one.name, one.words.unknown) for one in controllers.all]
    words.append(("console", console.words.unknown))
    return Facts(
        run=run,
        rig=rig.file.rig.name,
        console=console.state,
        started=engine.running(),
        unanswered=len(console.unanswered()),
        told=console.told,
        desk_moves=console.desk_moves,
        unsure=console.unsure(),
        links=tuple(
            LinkFacts(one.name, one.state, one.received, one.sent, one.dropped, one.refused)
            for one in links
        ),
        troubled=dict(controllers.troubled),
        wishes=dict(zip(OUTCOMES, controllers.counts, strict=True)),
        unknown={name: count for name, count in words if count},
        malformed=house.malformed,
        held_back=engine.outgoing.faults,
        buses=tuple(
            (rig.bus_label(bus), engine.buses.state(bus) not in ("closed", "opening"))
            for bus in range(m.buses)
        ),
        over=engine.stage is not None and bool(engine.stage.over),
        silent=m.asked[m.silence] >= 0.5,
    )
