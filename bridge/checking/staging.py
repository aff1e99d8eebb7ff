"""What a rig's stage permits that can hurt, and what it leaves open. Pure.

Estimates from what is declared. They do not replace measuring, the makers' papers, local rules, or
the people who are licensed for mains, rigging and loud sound.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

from bridge.checking.couplings import Air
from bridge.checking.ground import Ground, Remark, some
from bridge.rig.stage import Amplifier, Loudspeaker
from bridge.rig.toml import Path
from bridge.stage import supply
from bridge.stage.joins import joins
from bridge.stage.survey import EXPOSURE, amplifier_of

HUNG_M = 2.5
"""Height above which something does not stand but hangs, m: higher than anybody reaches."""


def remarks(ground: Ground, air: Air) -> Iterator[Remark]:
    """Every danger of the stage."""
    yield from (Remark(ground.rig.at(wrong.where), wrong.text, wrong.remedy)
                for wrong in joins(ground.rig))  # fmt: skip
    yield from _feedback(ground, air)
    yield from _burdens(ground, air)
    yield from _powers(ground)
    yield from _mains(ground)
    yield from _heights(ground)


def notes(ground: Ground, air: Air) -> Iterator[Remark]:
    """What is not known, so that the stage does not bind there, or binds by a guess."""
    yield from _ears(ground, air)
    yield from _levels(ground, air)
    yield from _silent_buses(ground, air)
    yield from _beyond(ground, air)
    left_db = air.left_db(air.nominal)
    if air.left_db(air.start) >= air.said.margin_db > left_db:
        yield Remark(ground.rig.at(("stage",)), "with every master at nominal the start mixes are "
                     f"{left_db:.1f} dB from the first ring, and the margin is "
                     f"{air.said.margin_db:g} dB: some master stops before",
                     "see the table; turn microphones or wedges, or lower sends")  # fmt: skip


# -- levels -------------------------------------------------------------------------------------


def _feedback(ground: Ground, air: Air) -> Iterator[Remark]:
    left_db = air.left_db(air.start)
    if left_db >= air.said.margin_db:
        return
    channel, bus = divmod(int((air.start * air.coupling).argmax()), len(ground.rig.layout.buses))
    of, in_ = ground.rig.layout.channels[channel], ground.rig.layout.buses[bus]
    where: Path = ("bus", bus)
    if of in ground.rig.file.bus[bus].start_mix:
        where = ("bus", bus, "start_mix", of)
    yield Remark(ground.rig.at(where), f"the start mixes are {left_db:.1f} dB from the first ring, "
                 f"and the margin is {air.said.margin_db:g} dB; {of} in {in_} brings back most",
                 "lower the start mix or start_db, or turn the microphone's null to the wedge; "
                 "until then nothing may rise")  # fmt: skip


def _burdens(ground: Ground, air: Air) -> Iterator[Remark]:
    """What the start mixes ask of ears and loudspeakers, with every channel at nominal level."""
    file = ground.rig.file
    totals = air.powers(air.start).sum(axis=0)
    for burden in air.survey.burdens:
        share = sum(w * float(t) for w, t in zip(burden.weights, totals, strict=True)) / burden.most
        if share <= 1.0:
            continue
        over_db = 10.0 * math.log10(share)
        if burden.rule == EXPOSURE:
            number = next(i for i, e in enumerate(file.ear) if e.performer == burden.what)
            yield Remark(
                ground.rig.at(("ear", number, "most_db")),
                f"the start mixes are {over_db:.1f} dB above it, by estimate",
                "lower start_db or the start mix; sound this loud harms hearing",
            )
        else:
            boxes = enumerate(file.loudspeaker)
            number = next(i for i, box in boxes if (box.label or box.id) == burden.what)
            yield Remark(
                ground.rig.at(("loudspeaker", number)),
                f"the start mixes ask {over_db:.1f} dB more of {burden.what} and its amplifier "
                "than they can give",
                "lower start_db or the start mix",
            )


# -- electricity and weight ---------------------------------------------------------------------


def _powers(ground: Ground) -> Iterator[Remark]:
    """Plates on which power falls while the load's impedance falls."""
    keys = ("power_8_ohm_w", "power_4_ohm_w", "power_2_ohm_w")
    for i, amplifier in enumerate(ground.rig.file.amplifier):
        said = [(key, getattr(amplifier, key)) for key in keys]
        known = [(key, watt) for key, watt in said if watt is not None]
        for (high, before_w), (low, watt) in pairwise(known):
            if watt < before_w:
                yield Remark(ground.rig.at(("amplifier", i, low)), f"{watt:g} W, less than "
                             f"{high} with {before_w:g} W: seldom so into a lower impedance",
                             "read its plate again; what may be asked of it follows from "
                             "power_8_ohm_w")  # fmt: skip


def _mains(ground: Ground) -> Iterator[Remark]:
    """All that is plugged in, against the device that feeds it."""
    file = ground.rig.file
    if file.stage is None or file.stage.device_a is None:
        return
    things: list[Amplifier | Loudspeaker] = [*file.amplifier, *file.loudspeaker]
    plugged = [supply.Load(each.id, each.mains_a, supply.CONTINUOUS_S)
               for each in things if each.mains_a is not None]  # fmt: skip
    verdict = supply.supply_verdict(plugged, file.stage.device_a)
    if not verdict.fits:
        total = sum(load.current_a for load in plugged)
        yield Remark(ground.rig.at(("stage", "device_a")),
                     f"{total:.1f} A for hours ask for a rating of {verdict.needed_a:.1f} A, and "
                     f"this device has {verdict.device_a:g} A (NEC 210.20(A))",
                     f"spread the load; {supply.NOTE}")  # fmt: skip


def _heights(ground: Ground) -> Iterator[Remark]:
    for kind in ("loudspeaker", "microphone"):
        for i, thing in enumerate(getattr(ground.rig.file, kind)):
            if thing.at[2] > HUNG_M:
                name = thing.id if kind == "loudspeaker" else thing.channel
                yield Remark(ground.rig.at((kind, i, "at")), f"{name} hangs at {thing.at[2]:g} m, "
                             "above people",
                             "rigging is for those who are licensed for it, by local rules: rated "
                             "hardware, and a second independent safety")  # fmt: skip


# -- what is not known --------------------------------------------------------------------------


def _ears(ground: Ground, air: Air) -> Iterator[Remark]:
    file = ground.rig.file
    heard = {ear.performer for ear in file.ear}
    for i, performer in enumerate(file.performer):
        if performer.id not in heard:
            yield Remark(ground.rig.at(("performer", i)), f"no [[ear]] says where {performer.id} "
                         "listens: no level, exposure or limit there", "add one")  # fmt: skip
    for i, (ear, row) in enumerate(zip(file.ear, air.survey.ears, strict=True)):
        if ear.most_db is not None and not row.any():
            yield Remark(ground.rig.at(("ear", i, "most_db")), "nothing is known of what plays "
                         f"there, so it binds nothing; {ear.performer} hears no declared level",
                         "add in_ears, or the levels of the loudspeakers")  # fmt: skip


def _levels(ground: Ground, air: Air) -> Iterator[Remark]:
    boxes = zip(ground.rig.file.loudspeaker, air.survey.loudspeakers, strict=True)
    for i, (box, known) in enumerate(boxes):
        if known is None:
            yield Remark(ground.rig.at(("loudspeaker", i)), f"the level of {box.id} is not known: "
                         "no feedback and no level at ears is counted from it",
                         _needed(ground, box))  # fmt: skip


def _needed(ground: Ground, box: Loudspeaker) -> str:
    """What a loudspeaker lacks to be counted."""
    if box.active or box.sensitivity_db is None:
        return "add spl_1m_db" + ("" if box.active else ", or sensitivity_db and its lines")
    if box.impedance_ohm is None:
        return "add impedance_ohm"
    if amplifier_of(ground.rig, box) is None:
        return "add the line that comes from its amplifier's output"
    return "add spl_1m_db instead of sensitivity_db"


def _silent_buses(ground: Ground, air: Air) -> Iterator[Remark]:
    """Buses that end nowhere on the stage."""
    file = ground.rig.file
    used = {box.bus for box in file.loudspeaker}
    used |= {ear.in_ears.bus for ear in file.ear if ear.in_ears is not None}
    for i, bus in enumerate(file.bus):
        if bus.id not in used:
            yield Remark(ground.rig.at(("bus", i)), f"{bus.id} has no [[loudspeaker]] and no "
                         "in_ears: the stage does not bind it", "add what it feeds")  # fmt: skip


def _beyond(ground: Ground, air: Air) -> Iterator[Remark]:
    if air.beyond:
        names = some([ground.rig.layout.name(slot) for slot in air.beyond])
        yield Remark(
            ground.rig.at(("console", "map")),
            f"{names} can be neither set nor read: the stage counts with the ceiling",
            "add entries for it to the map",
        )
