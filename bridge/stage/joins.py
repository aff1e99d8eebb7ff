"""Joins that can be made with the cables at hand and should not be: wrong plugs, wrong loads. Pure.

Estimates from what is declared. They do not replace measuring, the makers' papers or a qualified
technician; where an amplifier and its loads are in doubt, measure before powering up.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from bridge.rig.rig import Rig
from bridge.rig.toml import Path
from bridge.rig.wires import BUS, INPUT, LOUDSPEAKER, OUTPUT, Socket
from bridge.stage.cables import LOSS_LIMIT_DB
from bridge.stage.loads import Fit, LoadVerdict, load_verdict
from bridge.stage.wiring import Chain, Wiring, chains, load_of, plate

__all__ = ["DAMPING_LEAST", "Chain", "Kind", "Wrong", "chains", "joins", "load_of"]

DAMPING_LEAST = 20.0
"""Damping factor at the loudspeaker below which a line is worth a word (common practice)."""


class Kind(StrEnum):
    """What is wrong with a join."""

    CABLE = "wrong cable"
    NO_POWER = "no power"
    POWER = "power into an input"
    MIXES = "two feeds joined"
    OTHER_BUS = "another mix"
    LOAD = "load too low"
    UNKNOWN_LOAD = "load not known"
    NOTHING = "fed by nothing"
    LOSS = "loss in the cable"
    DAMPING = "damping lost in the cable"


@dataclass(frozen=True, slots=True)
class Wrong:
    """A join that should not be.

    Attributes:
        kind: What is wrong with it.
        fit: ``refuse`` where something may be damaged or plays what it should not, or not at
            all; ``warn`` otherwise.
        where: Key path in the rig file.
        text: What was found, with figures.
        remedy: What to do about it.
    """

    kind: Kind
    fit: Fit
    where: Path
    text: str
    remedy: str


def joins(rig: Rig) -> tuple[Wrong, ...]:
    """Every wrong join of a rig's lines: those that break something first, then the warnings."""
    wiring = Wiring(rig)
    found = [
        *_plugs(wiring),
        *_joints(wiring),
        *_loads(wiring),
        *_other_buses(wiring),
        *_nothing(wiring),
        *_costs(wiring),
    ]
    return tuple(sorted(found, key=lambda wrong: wrong.fit is not Fit.REFUSE))


def socket_name(rig: Rig, at: Socket) -> str:
    """A socket as people call it: ``output 2 of Rack``, ``the link-through of`` not included."""
    if at.kind in (INPUT, OUTPUT):
        labels = {each.id: each.label for each in rig.file.amplifier}
        return f"{at.kind} {at.number} of {labels.get(at.id) or at.id}"
    if at.kind == BUS:
        names = {bus.id: bus.label for bus in rig.file.bus}
        side = "" if at.side == "both" else f", {at.side}"
        return f"the output of bus {names.get(at.id) or at.id}{side}"
    labels = {box.id: box.label for box in rig.file.loudspeaker}
    return labels.get(at.id) or at.id


# -- single lines -------------------------------------------------------------------------------


def _is_active(wiring: Wiring, at: Socket) -> bool:
    box = wiring.boxes.get(at.id) if at.kind == LOUDSPEAKER else None
    return box is not None and box.active


def _has_power(wiring: Wiring, start: Socket) -> bool:
    """Whether a line that starts here carries an amplifier's power."""
    return start.kind == OUTPUT or (start.kind == LOUDSPEAKER and not _is_active(wiring, start))


def _plugs(wiring: Wiring) -> Iterator[Wrong]:
    for number, start in wiring.wires.starts.items():
        end = wiring.wires.ends[number]
        power = _has_power(wiring, start)
        passive = end.kind == LOUDSPEAKER and not _is_active(wiring, end)
        if passive and not power:
            yield _no_power(wiring, number, start, end)
        elif power and not passive:
            yield _power_in(wiring, number, start, end)
        else:
            yield from _cable(wiring, number, end, power=power)


def _from(wiring: Wiring, start: Socket) -> str:
    """Where a line starts, as people say it."""
    name = socket_name(wiring.rig, start)
    if start.kind == INPUT:
        return f"the link of {name}"
    if start.kind == LOUDSPEAKER:
        kind = "active" if _is_active(wiring, start) else "passive"
        return f"the link-through of {name}, which is {kind}"
    return name


def _no_power(wiring: Wiring, number: int, start: Socket, end: Socket) -> Wrong:
    name = socket_name(wiring.rig, end)
    text = f"{name} is passive and fed by {_from(wiring, start)}: that carries signal, no power"
    remedy = f"feed {name} from an amplifier's output, over loudspeaker cable"
    return Wrong(Kind.NO_POWER, Fit.REFUSE, ("line", number), text, remedy)


def _power_in(wiring: Wiring, number: int, start: Socket, end: Socket) -> Wrong:
    name = socket_name(wiring.rig, end)
    what = f"{name} is active and" if end.kind == LOUDSPEAKER else f"{name} is a signal input and"
    text = f"{what} fed by {_from(wiring, start)}: an amplifier's power may destroy it"
    remedy = f"feed {name} from a bus output or the link of something that is fed by one"
    return Wrong(Kind.POWER, Fit.REFUSE, ("line", number), text, remedy)


def _cable(wiring: Wiring, number: int, end: Socket, *, power: bool) -> Iterator[Wrong]:
    kind = wiring.rig.file.line[number].cable
    name, where = socket_name(wiring.rig, end), ("line", number, "cable")
    if power and kind != "loudspeaker":
        text = f"{name} takes an amplifier's power over {kind} cable: it is thin, its screen is "\
               "one of the conductors, and it may burn or upset the amplifier"  # fmt: skip
        yield Wrong(Kind.CABLE, Fit.REFUSE, where, text, "use loudspeaker cable, whatever fits")
    if not power and kind == "loudspeaker":
        text = f"{name} takes its signal over loudspeaker cable, which has no screen"
        remedy = "use signal cable, or it hums, and the cable is missing where power goes"
        yield Wrong(Kind.CABLE, Fit.WARN, where, text, remedy)


# -- what several lines do together -------------------------------------------------------------


def _joints(wiring: Wiring) -> Iterator[Wrong]:
    """Several lines into one socket."""
    for at, lines in wiring.wires.into.items():
        if len(lines) < 2:
            continue
        starts = [wiring.wires.starts[number] for number in lines]
        feeds = " and ".join(_from(wiring, start) for start in starts)
        power = all(_has_power(wiring, start) for start in starts)
        harm = "the amplifiers drive one another and may be destroyed" if power else \
            "the outputs load one another, and it plays more than one mix"  # fmt: skip
        text = f"{socket_name(wiring.rig, at)} is fed by {feeds}: {harm}"
        remedy = "leave one of these lines; mixes are added at the console"
        yield Wrong(Kind.MIXES, Fit.REFUSE, ("line", lines[-1]), text, remedy)


def _loads(wiring: Wiring) -> Iterator[Wrong]:
    for amplifier in wiring.rig.file.amplifier:
        for output in range(1, amplifier.channels + 1):
            at = Socket(OUTPUT, amplifier.id, output)
            ohm = wiring.ohms.get(at, math.inf)
            if math.isnan(ohm):
                yield _unknown_load(wiring, at)
            elif ohm < math.inf:
                verdict = load_verdict(plate(amplifier), ohm)
                yield from _overload(wiring, at, verdict, amplifier.least_ohm)


def _boxes(wiring: Wiring, at: Socket) -> list[Socket]:
    """The passive loudspeakers on a power output."""
    ends = [wiring.wires.ends[number] for number in wiring.hanging(at)]
    return [end for end in dict.fromkeys(ends)
            if end.kind == LOUDSPEAKER and not _is_active(wiring, end)]  # fmt: skip


def _unknown_load(wiring: Wiring, at: Socket) -> Wrong:
    silent = [box for box in _boxes(wiring, at) if wiring.boxes[box.id].impedance_ohm is None]
    names = ", ".join(socket_name(wiring.rig, box) for box in silent)
    text = f"the load on {socket_name(wiring.rig, at)} is not known: no impedance for {names}"
    where = ("line", wiring.hanging(at)[-1])
    return Wrong(Kind.UNKNOWN_LOAD, Fit.WARN, where, text, "add impedance_ohm, from its plate")


def _overload(
    wiring: Wiring, at: Socket, verdict: LoadVerdict, least_ohm: float
) -> Iterator[Wrong]:
    if verdict.fit is Fit.FITS:
        return
    names = ", ".join(socket_name(wiring.rig, box) for box in _boxes(wiring, at))
    output = socket_name(wiring.rig, at)
    if verdict.fit is Fit.REFUSE:
        text = f"{names} on {output} are a load of {verdict.rated_ohm:.3g} ohm, and it allows "\
               f"{least_ohm:g} ohm or more"  # fmt: skip
        remedy = "take a loudspeaker off it, or give it a channel of its own"
    else:
        text = f"{names} on {output} are a load of {verdict.rated_ohm:.3g} ohm that may dip to "\
               f"{verdict.dip_ohm:.3g} ohm, and it allows {least_ohm:g} ohm or more"  # fmt: skip
        remedy = "see that the amplifier's papers allow such loudspeakers, and watch its heat"
    yield Wrong(Kind.LOAD, verdict.fit, ("line", wiring.hanging(at)[-1]), text, remedy)


def _other_buses(wiring: Wiring) -> Iterator[Wrong]:
    """Loudspeakers that do not play what they are declared to play."""
    for number, box in enumerate(wiring.rig.file.loudspeaker):
        sources = wiring.wires.sources(Socket(LOUDSPEAKER, box.id))
        buses = sorted(source for source in sources if source.kind == BUS)
        if buses and not any(_plays(box.bus, box.side, source) for source in buses):
            wired = " and ".join(socket_name(wiring.rig, source) for source in buses)
            declared = socket_name(wiring.rig, Socket(BUS, box.bus, 0, box.side))
            text = f"{box.label or box.id} is declared for {declared}, and wired from {wired}"
            remedy = "change the line or the loudspeaker's bus: its ceilings count the other mix"
            yield Wrong(Kind.OTHER_BUS, Fit.REFUSE, ("loudspeaker", number, "bus"), text, remedy)


def _plays(bus: str, side: str, source: Socket) -> bool:
    return source.id == bus and (side == source.side or "both" in (side, source.side))


def _nothing(wiring: Wiring) -> Iterator[Wrong]:
    """Chains that begin in the air."""
    told = set()
    for number, start in wiring.wires.starts.items():
        at = Socket(INPUT, start.id, start.number) if start.kind == OUTPUT else start
        if at.kind != BUS and at not in wiring.wires.into and at not in told:
            told.add(at)
            text = f"{socket_name(wiring.rig, wiring.wires.ends[number])} hangs on "\
                   f"{_from(wiring, start)}, and nothing goes into "\
                   f"{socket_name(wiring.rig, at)}"  # fmt: skip
            yield Wrong(
                Kind.NOTHING, Fit.WARN, ("line", number), text, "add the line that feeds it"
            )
    for number, box in enumerate(wiring.rig.file.loudspeaker):
        at = Socket(LOUDSPEAKER, box.id)
        if wiring.wires.starts and at not in wiring.wires.into and at not in told:
            text = f"no line goes to {socket_name(wiring.rig, at)}"
            where = ("loudspeaker", number)
            yield Wrong(Kind.NOTHING, Fit.WARN, where, text, "add the line that feeds it")


def _costs(wiring: Wiring) -> Iterator[Wrong]:
    """What is lost in the loudspeaker cables."""
    for box in wiring.rig.file.loudspeaker:
        chain = wiring.chain(box)
        if chain.amplifier is None:
            continue
        where, name = ("line", chain.lines[-1]), box.label or box.id
        remedy = "use thicker or shorter cable, or move the amplifier closer"
        if chain.loss_db is not None and not -chain.loss_db <= LOSS_LIMIT_DB:
            text = f"the cable to {name} takes {-chain.loss_db:.1f} dB, more than "\
                   f"{LOSS_LIMIT_DB:g} dB"  # fmt: skip
            yield Wrong(Kind.LOSS, Fit.WARN, where, text, remedy)
        if chain.damping is not None and not chain.damping >= DAMPING_LEAST:
            text = f"the damping factor at {name} is {chain.damping:.0f}, less than "\
                   f"{DAMPING_LEAST:g}"  # fmt: skip
            yield Wrong(Kind.DAMPING, Fit.WARN, where, text, remedy)
