"""What a plan warns of, what it leaves out for want of a word in the rig, and whom to ask. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from bridge.plan.words import listed
from bridge.rig.rig import Rig
from bridge.rig.wires import LOUDSPEAKER, Socket, Wires
from bridge.stage.survey import Survey

HUNG_M = 2.5
"""What hangs higher than this hangs over heads: nobody reaches it from the floor."""

STANDING = (
    (
        "Hearing",
        "Levels and times in this plan are estimates from declared figures, not measurements. "
        "Measure at the ears with a sound level meter or dosimeter, keep to the law of the place, "
        "and ask a hearing professional where ears ring or have rung.",
    ),
    (
        "Mains",
        "The figures for the supply are information. Local codes, the venue's papers and a "
        "licensed electrician decide what may be plugged in where; earths are never lifted.",
    ),
    (
        "Amplifiers and loads",
        "Loads are counted from printed ratings. Where a load is in doubt, have it measured by a "
        "qualified technician before powering up; the makers' papers go before this page. Switch "
        "off before plugging loudspeaker lines: power outputs carry dangerous voltages.",
    ),
    (
        "Heights",
        "Nothing here says that a point, a stand or a truss carries anything. What hangs over "
        "people is rigged and checked by qualified riggers, by local rules, with a second safety.",
    ),
    (
        "What the air does besides",
        "Couplings count the direct sound alone. Walls, the low end where wedges radiate all "
        "around, people who move and hands around microphones add to it: ring the stage out "
        "before anybody relies on it, quietly, with ears out of the wedges' axes.",
    ),
)
"""What holds for every stage."""


@dataclass(frozen=True, slots=True)
class Caution:
    """Something that can hurt, and who decides.

    Attributes:
        about: What it is about.
        text: What to do, and whom to ask.
    """

    about: str
    text: str


def cautions(rig: Rig) -> tuple[Caution, ...]:
    """What can hurt on this stage."""
    hung = [
        f"{each.label or each.id} ({each.at[2]:g} m)"
        for each in rig.file.loudspeaker
        if each.at[2] > HUNG_M
    ]
    names = {channel.id: channel.label or channel.id for channel in rig.file.channel}
    hung += [
        f"the microphone of {names[each.channel]} ({each.at[2]:g} m)"
        for each in rig.file.microphone
        if each.at[2] > HUNG_M
    ]
    found = [Caution(about, text) for about, text in STANDING]
    if hung:
        text = f"Higher than {HUNG_M:g} m: {listed(hung)}. A qualified rigger sees to it."
        found.insert(0, Caution("Overhead on this stage", text))
    return tuple(found)


def missing(rig: Rig, known: Survey) -> tuple[str, ...]:
    """What was left out because the rig does not say it, and what would bring it in."""
    return tuple(
        [*_from_microphones(rig), *_from_loudspeakers(rig, known), *_from_ears(rig), *_power(rig)]
    )


def _from_microphones(rig: Rig) -> Iterator[str]:
    heard = {each.channel for each in rig.file.microphone}
    deaf = [each.label or each.id for each in rig.file.channel if each.id not in heard]
    if deaf:
        yield f"No [[microphone]] for {listed(deaf)}: counted as lines that hear nothing."
    silent = [bus.label or bus.id for bus in rig.file.bus if not bus.start_mix]
    if silent and rig.file.microphone:
        yield f"No start_mix for {listed(silent)}: nothing is sent there in the mixes counted."


def _from_loudspeakers(rig: Rig, known: Survey) -> Iterator[str]:
    file = rig.file
    for said, each in zip(file.loudspeaker, known.loudspeakers, strict=True):
        if each is None:
            yield (
                f"The level of {said.label or said.id} is not known (no spl_1m_db, and no "
                "sensitivity_db with an amplifier and an impedance): its sound is left out."
            )
    played = {box.bus for box in file.loudspeaker}
    played |= {ear.in_ears.bus for ear in file.ear if ear.in_ears}
    mute = [bus.label or bus.id for bus in file.bus if bus.id not in played]
    if mute:
        yield f"No [[loudspeaker]] and no in_ears for the buses {listed(mute)}: nothing plays them."
    wires = Wires(file.line)
    loose = [
        box.label or box.id
        for box in file.loudspeaker
        if Socket(LOUDSPEAKER, box.id) not in wires.into
    ]
    if loose:
        yield f"No [[line]] to {listed(loose)}: missing in the patch list and in the loads."


def _from_ears(rig: Rig) -> Iterator[str]:
    heads = {ear.performer for ear in rig.file.ear}
    nobody = [each.name or each.id for each in rig.file.performer if each.id not in heads]
    if nobody:
        yield f"No [[ear]] for {listed(nobody)}: no level and no exposure is estimated."


def _power(rig: Rig) -> Iterator[str]:
    file = rig.file
    plugged = [(each.label or each.id, each.mains_a) for each in file.amplifier]
    plugged += [(box.label or box.id, box.mains_a) for box in file.loudspeaker if box.active]
    thirsty = [name for name, current in plugged if current is None]
    if thirsty:
        yield f"No mains_a for {listed(thirsty)}: missing in the current from the mains."
    if plugged and (file.stage is None or file.stage.device_a is None):
        yield "No device_a in [stage]: the current is compared with no breaker or fuse."
    plain = [
        str(number + 1)
        for number, line in enumerate(file.line)
        if line.cable == "loudspeaker" and line.mm2 is None and line.awg is None
    ]
    if plain:
        yield f"No mm2 or awg for line {listed(plain)}: no loss and no damping is counted there."
