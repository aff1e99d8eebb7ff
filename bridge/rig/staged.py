"""What the tables of the stage say against one another, or what cannot be. Pure.

Joins that can be made with the cables at hand, however wrong, are not faults of the file: the plan
and the check name them.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator
from itertools import pairwise

from bridge import limits
from bridge.rig import model, stage
from bridge.rig.faults import names_of, shown
from bridge.rig.toml import Path
from bridge.rig.wires import Wires, socket

Contradiction = tuple[Path, str, str]

_KINDS = ("microphone", "loudspeaker", "ear", "amplifier", "line")
_ACTIVE_HAS_NONE = ("sensitivity_db", "impedance_ohm", "power_w")
OMNI_DEG = 360.0
"""A loudspeaker of this coverage is alike all around, and needs no aim."""


def contradictions(file: model.RigFile) -> Iterator[Contradiction]:
    """Every fault of the stage: where, what was found, what was expected."""
    yield from _homeless(file)
    yield from _twins(file)
    yield from _strangers(file)
    yield from _stage(file)
    for i, microphone in enumerate(file.microphone):
        yield from _microphone(("microphone", i), microphone)
    for i, box in enumerate(file.loudspeaker):
        yield from _loudspeaker(("loudspeaker", i), box)
    yield from _near(file)
    yield from _sides(file)
    for i, line in enumerate(file.line):
        yield from _line(file, ("line", i), line)
    yield from _inputs(file)


# -- names --------------------------------------------------------------------------------------


def _homeless(file: model.RigFile) -> Iterator[Contradiction]:
    """Things that stand on no stage."""
    for kind in _KINDS:
        if file.stage is None and getattr(file, kind):
            yield (kind, 0), f"[[{kind}]]", "a [stage] table too, which switches the stage on"


def _twins(file: model.RigFile) -> Iterator[Contradiction]:
    places = [(("loudspeaker", i, "id"), box.id) for i, box in enumerate(file.loudspeaker)]
    places += [(("amplifier", i, "id"), each.id) for i, each in enumerate(file.amplifier)]
    yield from _again(places, "an id that no other loudspeaker or amplifier has")
    places = [(("microphone", i, "channel"), each.channel)
              for i, each in enumerate(file.microphone)]  # fmt: skip
    yield from _again(places, "one microphone a channel")
    places = [(("ear", i, "performer"), each.performer) for i, each in enumerate(file.ear)]
    yield from _again(places, "one place a performer")


def _again(
    places: Iterable[tuple[tuple[str | int, ...], str]], expected: str
) -> Iterator[Contradiction]:
    """Names that stood before."""
    seen: Counter[str] = Counter()
    for path, name in places:
        seen[name] += 1
        if seen[name] > 1:
            yield path, f"{shown(name)} again", expected


def _strangers(file: model.RigFile) -> Iterator[Contradiction]:
    """Names that nothing answers to."""
    channels = {channel.id for channel in file.channel}
    buses = {bus.id for bus in file.bus}
    performers = {performer.id for performer in file.performer}
    for i, microphone in enumerate(file.microphone):
        yield from _unknown(("microphone", i, "channel"), microphone.channel, channels, "channel")
    for i, box in enumerate(file.loudspeaker):
        yield from _unknown(("loudspeaker", i, "bus"), box.bus, buses, "bus")
    for i, ear in enumerate(file.ear):
        yield from _unknown(("ear", i, "performer"), ear.performer, performers, "performer")
        if ear.in_ears is not None:
            yield from _unknown(("ear", i, "in_ears", "bus"), ear.in_ears.bus, buses, "bus")
    known = {
        "bus": buses,
        "amplifier": {each.id for each in file.amplifier},
        "loudspeaker": {box.id for box in file.loudspeaker},
    }
    for i, line in enumerate(file.line):
        for key, end in (("from", line.start), ("to", line.end)):
            for kind, names in known.items():
                name = getattr(end, kind)
                if name is not None:
                    yield from _unknown(("line", i, key, kind), name, names, kind)


def _unknown(path: Path, name: str, known: set[str], kind: str) -> Iterator[Contradiction]:
    if name not in known:
        expected = names_of(known) if known else f"nothing, as there is no [[{kind}]]"
        yield path, shown(name), expected


# -- single tables ------------------------------------------------------------------------------


def _stage(file: model.RigFile) -> Iterator[Contradiction]:
    percents = [] if file.stage is None else file.stage.warn_percent
    if any(not low < high for low, high in pairwise(percents)):
        said = ", ".join(f"{percent:g}" for percent in percents)
        yield ("stage", "warn_percent"), f"[{said}]", "percents that rise"


def _one_of(here: Path, table: object, keys: tuple[str, str]) -> Iterator[Contradiction]:
    """Two keys of which one has to be said."""
    said = [key for key in keys if getattr(table, key) is not None]
    if len(said) != 1:
        found = "neither" if not said else "both"
        yield here, f"{found} of '{keys[0]}' and '{keys[1]}'", "one of them"


def _aim(
    here: tuple[str | int, ...], said: stage.Microphone | stage.Loudspeaker, *, free: bool
) -> Iterator[Contradiction]:
    """An aim that is missing, or points nowhere.

    Args:
        here: The table's place.
        said: The table.
        free: Whether it is alike all around, so that it needs none.
    """
    if not (free and said.aim_at is None and said.aim_deg is None):
        yield from _one_of(here, said, ("aim_at", "aim_deg"))
    if said.aim_at is not None and said.aim_at == said.at:
        yield (*here, "aim_at"), "the place where it stands", "another point"
    if said.aim_deg is not None and not -90.0 <= said.aim_deg[1] <= 90.0:
        yield (*here, "aim_deg", 1), f"an elevation of {said.aim_deg[1]:g}", "-90..90 degrees"


def _microphone(here: tuple[str | int, ...], said: stage.Microphone) -> Iterator[Contradiction]:
    yield from _one_of(here, said, ("pattern", "a"))
    yield from _aim(here, said, free=said.pattern == "omni" or said.a == 1.0)


def _loudspeaker(here: tuple[str | int, ...], said: stage.Loudspeaker) -> Iterator[Contradiction]:
    yield from _aim(here, said, free=said.coverage_deg == OMNI_DEG)
    for key in _ACTIVE_HAS_NONE if said.active else ("mains_a",):
        value = getattr(said, key)
        if value is not None:
            kind = "active: its amplifier is inside" if said.active else "passive: no mains"
            yield (*here, key), f"{value:g}", f"nothing, as it is {kind}"
    if not said.active and said.spl_1m_db is not None and said.sensitivity_db is not None:
        yield here, "both of 'spl_1m_db' and 'sensitivity_db'", "one of them"
    least_db = said.spl_1m_db
    if said.max_spl_db is not None and least_db is not None and not said.max_spl_db >= least_db:
        found = f"{said.max_spl_db:g}"
        yield (*here, "max_spl_db"), found, f"at least spl_1m_db, {least_db:g}"


# -- places -------------------------------------------------------------------------------------


def _near(file: model.RigFile) -> Iterator[Contradiction]:
    """Microphones and ears inside of a loudspeaker."""
    places = [(("microphone", i, "at"), each.at) for i, each in enumerate(file.microphone)]
    places += [(("ear", i, "at"), each.at) for i, each in enumerate(file.ear)]
    if not file.loudspeaker:
        return
    for path, at in places:
        distance_m, name = min((math.dist(at, box.at), box.id) for box in file.loudspeaker)
        if not distance_m >= limits.APART_M_MIN:
            found = f"{distance_m:.3g} m from loudspeaker {name}"
            yield path, found, f"{limits.APART_M_MIN:g} m or more"


def _sides(file: model.RigFile) -> Iterator[Contradiction]:
    """Left or right of something that has no sides."""
    mono = {bus.id for bus in file.bus if bus.width == "mono"}
    for i, box in enumerate(file.loudspeaker):
        if box.side != "both" and box.bus in mono:
            yield ("loudspeaker", i, "side"), shown(box.side), _both(box.bus)
    for i, line in enumerate(file.line):
        for key, end in (("from", line.start), ("to", line.end)):
            if end.side != "both" and (end.bus is None or end.bus in mono):
                expected = "no side without a bus" if end.bus is None else _both(end.bus)
                yield ("line", i, key, "side"), shown(end.side), expected


def _both(bus: str) -> str:
    return f"'both' or nothing, as bus {bus} is mono"


# -- lines --------------------------------------------------------------------------------------


def _line(
    file: model.RigFile, here: tuple[str | int, ...], line: stage.Line
) -> Iterator[Contradiction]:
    channels = {each.id: each.channels for each in file.amplifier}
    for key, end in (("from", line.start), ("to", line.end)):
        yield from _end((*here, key), end, channels)
    if line.end.bus is not None:
        yield (*here, "to", "bus"), shown(line.end.bus), "an amplifier's input or a loudspeaker"
    if line.end.output is not None:
        yield (*here, "to", "output"), f"{line.end.output}", "an input"
    start = socket(line.start)
    if start is not None and start == socket(line.end):
        yield (*here, "to"), "where the line starts", "something else"
    if line.mm2 is not None and line.awg is not None:
        yield here, "both of 'mm2' and 'awg'", "one of them"
    if line.joined == "series" and line.end.loudspeaker is None:
        yield (*here, "joined"), "'series'", "'parallel' or nothing: only loudspeakers are"


def _end(
    here: tuple[str | int, ...], end: stage.End, channels: dict[str, int]
) -> Iterator[Contradiction]:
    """One end of a line: exactly one thing, and a socket that it has."""
    said = [key for key in ("bus", "amplifier", "loudspeaker") if getattr(end, key) is not None]
    if len(said) != 1:
        found = " and ".join(f"'{key}'" for key in said) or "nothing"
        yield here, found, "one of 'bus', 'amplifier' and 'loudspeaker'"
    if end.amplifier is not None:
        yield from _one_of(here, end, ("input", "output"))
    most = channels.get(end.amplifier or "", limits.NUMBER_MAX)
    for key in ("input", "output"):
        number = getattr(end, key)
        if number is not None and end.amplifier is None:
            yield (*here, key), f"{number}", "none without an amplifier"
        elif number is not None and not number <= most:
            yield (*here, key), f"{number}", f"1..{most}, as many channels as it has"


def _inputs(file: model.RigFile) -> Iterator[Contradiction]:
    """Lines that go round in a circle, or feed one input twice with the same."""
    wires = Wires(file.line)
    closing = wires.circle()
    if closing is not None:
        yield (
            ("line", closing),
            "a line that closes a circle",
            "lines that lead from the console on",
        )
        return
    for at, lines in wires.into.items():
        seen = set(wires.sources(wires.starts[lines[0]]))
        for number in lines[1:]:
            more = wires.sources(wires.starts[number])
            if seen & more:
                named = f"{at.kind} {at.number} of {at.id}" if at.number else f"{at.kind} {at.id}"
                yield ("line", number, "to"), f"{named} again", "one line into it"
            seen |= more
