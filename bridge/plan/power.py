"""Amplifier channels with their loads and cables, and what all of it draws from the mains. Pure.

Estimates from printed ratings: they replace neither a measurement nor the makers' papers, nor a
qualified technician, nor a licensed electrician.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from bridge.plan.words import number as said_number
from bridge.rig import stage as declared
from bridge.rig.rig import Rig
from bridge.rig.wires import INPUT, LOUDSPEAKER, OUTPUT, Socket
from bridge.stage import loads, supply, survey, wiring
from bridge.stage.joins import socket_name

UNLOADED, UNKNOWN = "nothing on it", "not known"


@dataclass(frozen=True, slots=True)
class Box:
    """A passive loudspeaker on an amplifier channel.

    Attributes:
        key: Its key on the plan.
        name: What people call it.
        impedance_ohm: Rated impedance, ohm; None where not declared.
        length_m: Cable from the amplifier on, m.
        loss_db: Change of level in that cable, dB, 0 or less; None where not known.
        damping: Damping factor at the box; None where not known.
        nominal_w: Power at nominal level, W; None where not known.
        power_w: Continuous power that it takes, W; None where not declared.
    """

    key: str
    name: str
    impedance_ohm: float | None
    length_m: float
    loss_db: float | None
    damping: float | None
    nominal_w: float | None
    power_w: float | None


@dataclass(frozen=True, slots=True)
class Output:
    """One channel of an amplifier.

    Attributes:
        amplifier: What people call the amplifier.
        output: Number of the channel, from 1.
        fed_by: What goes into it, in words; empty for nothing.
        boxes: What hangs on it.
        load_ohm: Rated impedance of all of it, ohm; None for nothing or not known.
        dip_ohm: Lowest impedance that the rating allows, ohm (80 %); None likewise.
        least_ohm: Lowest load that the amplifier allows, ohm.
        verdict: ``fits``, ``warn``, ``refuse``, ``nothing on it`` or ``not known``.
        reason: Why.
        clip_v: Voltage at which it clips, V rms.
        clip_dbu: Input level at which it clips, dBu.
        below_clip_db: How far nominal level lies below that, dB.
        available_w: Power into its load just before it clips, W; None where not known.
    """

    amplifier: str
    output: int
    fed_by: str
    boxes: tuple[Box, ...]
    load_ohm: float | None
    dip_ohm: float | None
    least_ohm: float
    verdict: str
    reason: str
    clip_v: float
    clip_dbu: float
    below_clip_db: float
    available_w: float | None


@dataclass(frozen=True, slots=True)
class Draw:
    """Something that is plugged into the mains."""

    name: str
    current_a: float


@dataclass(frozen=True, slots=True)
class Mains:
    """What the stage draws.

    Attributes:
        voltage_v: Mains voltage, V.
        draws: Everything with a declared current.
        unknown: Everything powered whose current is not declared.
        total_a: All of it together, A.
        total_va: The same as apparent power, VA.
        needed_a: Rating that a device needs where all stay on three hours or more, A.
        device_a: Rating of the device, A; None where not declared.
        fits: Whether the device is rated for them; None where not declared, or some current is
            not known and the rest fits.
        reason: What was found and what was expected; empty without a device.
    """

    voltage_v: float
    draws: tuple[Draw, ...]
    unknown: tuple[str, ...]
    total_a: float
    total_va: float
    needed_a: float
    device_a: float | None
    fits: bool | None
    reason: str


def outputs(rig: Rig) -> tuple[Output, ...]:
    """Every amplifier channel with what hangs on it, in rig order."""
    wired = wiring.Wiring(rig)
    return tuple(
        _output(rig, wired, said, number)
        for said in rig.file.amplifier
        for number in range(1, said.channels + 1)
    )


def mains(rig: Rig) -> Mains:
    """What the stage's amplifiers and active loudspeakers draw."""
    stage = rig.file.stage or declared.Stage()
    plugged = [(each.label or each.id, each.mains_a) for each in rig.file.amplifier]
    plugged += [(box.label or box.id, box.mains_a) for box in rig.file.loudspeaker if box.active]
    draws = tuple(Draw(name, current) for name, current in plugged if current is not None)
    unknown = tuple(name for name, current in plugged if current is None)
    total_a = sum(draw.current_a for draw in draws)
    fits, reason = None, ""
    if stage.device_a is not None:
        parts = [supply.Load(draw.name, draw.current_a, supply.CONTINUOUS_S) for draw in draws]
        verdict = supply.supply_verdict(parts, stage.device_a)
        fits = None if verdict.fits and unknown else verdict.fits
        reason = verdict.reason
    return Mains(stage.mains_v, draws, unknown, total_a,
                 supply.apparent_power_va(stage.mains_v, total_a),
                 supply.needed_rating_a(total_a), stage.device_a, fits, reason)  # fmt: skip


def available_w(said: declared.Amplifier, load_ohm: float) -> float:
    """Power into a load just before clipping, W: by voltage, and by what the plate prints.

    A load gets no more than a lower one for which a power is printed: there the current is at its
    most.
    """
    printed = ((8.0, said.power_8_ohm_w), (4.0, said.power_4_ohm_w), (2.0, said.power_2_ohm_w))
    most = [watt for ohm, watt in printed if watt is not None and ohm <= load_ohm * 1.001]
    return min([survey.plate(said).clip_v ** 2 / load_ohm, *most])


def _output(rig: Rig, wired: wiring.Wiring, said: declared.Amplifier, number: int) -> Output:
    at = Socket(OUTPUT, said.id, number)
    ohm = wired.ohms.get(at, math.inf)
    verdict, reason, dip, power = UNLOADED, "", None, None
    plate = survey.plate(said)
    if math.isnan(ohm):
        verdict, reason = UNKNOWN, "an impedance on it is not declared"
    elif ohm < math.inf:
        judged = loads.load_verdict(wiring.plate(said), ohm)
        verdict, reason, dip = str(judged.fit), _reason(judged, said.least_ohm), judged.dip_ohm
        power = available_w(said, ohm) if judged.fit is not loads.Fit.REFUSE else None
    nominal_dbu = (rig.file.stage or declared.Stage()).nominal_dbu
    feeds = wired.wires.into.get(Socket(INPUT, said.id, number), [])
    return Output(
        said.label or said.id, number,
        " and ".join(socket_name(rig, wired.wires.starts[line]) for line in feeds),
        _boxes(rig, wired, at), ohm if math.isfinite(ohm) else None, dip, said.least_ohm,
        verdict, reason, plate.clip_v, plate.clip_input_dbu,
        plate.clip_input_dbu - nominal_dbu, power,
    )  # fmt: skip


def _reason(judged: loads.LoadVerdict, least_ohm: float) -> str:
    """A verdict on a load in the plan's words."""
    least = f"the amplifier allows {least_ohm:g} \u03a9 or more"
    if judged.fit is loads.Fit.REFUSE:
        return f"{said_number(judged.rated_ohm, 2)} \u03a9, and {least}"
    return f"may dip to {said_number(judged.dip_ohm, 2)} \u03a9, {least}"


def _boxes(rig: Rig, wired: wiring.Wiring, at: Socket) -> tuple[Box, ...]:
    found = []
    hanging = {wired.wires.ends[line] for line in wired.hanging(at)}
    for number, box in enumerate(rig.file.loudspeaker):
        if box.active or Socket(LOUDSPEAKER, box.id) not in hanging:
            continue
        chain = wired.chain(box)
        first = next((i for i, line in enumerate(chain.lines)
                      if wired.wires.starts[line] == at), None)  # fmt: skip
        after = () if first is None else chain.lines[first:]
        length = sum(rig.file.line[line].length_m for line in after)
        found.append(Box(
            f"W{number + 1}", box.label or box.id, box.impedance_ohm, length, chain.loss_db,
            chain.damping, survey.nominal_w(rig, box), box.power_w,
        ))  # fmt: skip
    return tuple(found)
