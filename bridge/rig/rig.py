"""Rig text to a checked ``Rig``: every fault at once, each with its line. Pure."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

from pydantic import ValidationError

from bridge.errors import Fault, RigError
from bridge.rig import model, staged
from bridge.rig.discovery import contradictions as of_discovery
from bridge.rig.faults import faults_in, first_of, names_of, shown
from bridge.rig.health import contradictions as of_health
from bridge.rig.layout import Layout
from bridge.rig.pages import contradictions as of_pages
from bridge.rig.presets import contradictions as of_presets
from bridge.rig.presets import reachable
from bridge.rig.toml import Path, place, read_toml

ENGINEER = -1
"""The number that stands for the engineer where a performer's number would stand."""

_SOURCE = re.compile(r"[\w.:%-]+|\[[0-9a-fA-F:.%]+\](:\d+)?")


@dataclass(frozen=True, slots=True)
class Rig:
    """A rig that has been checked.

    Attributes:
        file: What the file says.
        where: The file's path.
        layout: The numbering of its parameters.
        text: The file's text, to find lines for later warnings.
    """

    file: model.RigFile
    where: str
    layout: Layout
    text: str = field(repr=False, default="")

    def channel_label(self, channel: int) -> str:
        """What people call a channel."""
        declared = self.file.channel[channel]
        return declared.label or declared.id

    def bus_label(self, bus: int) -> str:
        """What people call a bus."""
        declared = self.file.bus[bus]
        return declared.label or declared.id

    def name(self, slot: int) -> str:
        """A slot as people call it, by labels and names: ``send level of Accordion in Ines``."""
        file = self.file
        buses = {bus.id: bus.label or bus.id for bus in file.bus}
        called = Layout(
            tuple(channel.label or channel.id for channel in file.channel),
            tuple(buses.values()),
            tuple(performer.name or performer.id for performer in file.performer),
            tuple(f"{group.id} in {buses[group.bus]}" for group in file.group),
            self.layout.presets,
        )
        return called.name(slot)

    def person(self, number: int) -> str:
        """The name of a performer, or the engineer's."""
        if number == ENGINEER:
            return self.file.engineer.name
        performer = self.file.performer[number]
        return performer.name or performer.id

    def hands(self, controller: model.Controller) -> int:
        """The number of the performer whose hands are on a controller; -1 is the engineer."""
        if controller.hands == "engineer":
            return ENGINEER
        return self.layout.performers.index(controller.hands)

    def at(self, path: Path) -> str:
        """``file:line key.path``."""
        return place(self.text, self.where, path)


def parse_rig(text: str, where: str) -> Rig:
    """Check rig text.

    Args:
        text: TOML.
        where: The file's path, for faults and relative paths.

    Raises:
        RigError: all faults together, each with file, line, key path, found and expected.
    """
    table = read_toml(text, where, RigError)
    try:
        file = model.RigFile.model_validate(table)
    except ValidationError as problem:
        raise RigError(first_of(faults_in(problem, table, text, where), where)) from None
    faults = [
        Fault(place(text, where, path), found, expected)
        for path, found, expected in _contradictions(file)
    ]
    if faults:
        raise RigError(first_of(faults, where))
    layout = Layout(
        tuple(channel.id for channel in file.channel),
        tuple(bus.id for bus in file.bus),
        tuple(performer.id for performer in file.performer),
        tuple(group.id for group in file.group),
        reachable(file),
    )
    return Rig(file, where, layout, text)


_Contradiction = tuple[Path, str, str]


def _contradictions(file: model.RigFile) -> Iterator[_Contradiction]:
    """What the tables say against one another."""
    yield from _twins(file)
    yield from _strangers(file)
    yield from _levels(file)
    yield from _paces(file)
    yield from _roads(file)
    yield from staged.contradictions(file)
    yield from of_presets(file)
    yield from of_pages(file)
    yield from of_health(file)
    yield from of_discovery(file)


def _twins(file: model.RigFile) -> Iterator[_Contradiction]:
    for kind in ("channel", "bus", "performer", "group", "controller"):
        tables = getattr(file, kind)
        for article, key in (("an", "id"), ("a", "console")):
            values = [getattr(table, key, None) for table in tables]
            often = {value for value, n in Counter(values).items() if n > 1 and value is not None}
            for index, value in enumerate(values):
                if value in often and values.index(value) != index:
                    yield (
                        (kind, index, key),
                        repr(value),
                        f"{article} {key} that no other {kind} has",
                    )
    lists = [(("performer", i, "buses"), table.buses) for i, table in enumerate(file.performer)]
    lists += [(("group", i, "channels"), table.channels) for i, table in enumerate(file.group)]
    lists += [(("group", i, "against"), table.against) for i, table in enumerate(file.group)]
    for path, names in lists:
        for name in (name for name, n in Counter(names).items() if n > 1):
            yield path, f"{shown(name)} twice", "each name once"


def _strangers(file: model.RigFile) -> Iterator[_Contradiction]:  # noqa: C901 - a flat list
    """Names that nothing answers to."""
    channels = {channel.id for channel in file.channel}
    buses = {bus.id for bus in file.bus}
    hands = {performer.id for performer in file.performer} | {"engineer"}

    def unknown(path: Path, name: str, known: set[str]) -> Iterator[_Contradiction]:
        if name not in known:
            yield path, shown(name), names_of(known)

    for i, bus in enumerate(file.bus):
        for name in bus.start_mix:
            yield from unknown(("bus", i, "start_mix", name), name, channels)
    for i, controller in enumerate(file.controller):
        yield from unknown(("controller", i, "hands"), controller.hands, hands)
    for i, group in enumerate(file.group):
        yield from unknown(("group", i, "bus"), group.bus, buses)
        for name in group.channels:
            yield from unknown(("group", i, "channels"), name, channels)
        for name in group.against:
            yield from unknown(("group", i, "against"), name, channels)
            if name in group.channels:
                yield ("group", i, "against"), shown(name), "channels that are not in the group"
    for i, performer in enumerate(file.performer):
        for name in performer.buses:
            yield from unknown(("performer", i, "buses"), name, buses)
        for name in performer.send_ceilings_db:
            yield from unknown(("performer", i, "send_ceilings_db", name), name, channels)
        if performer.id == "engineer":
            yield ("performer", i, "id"), "'engineer'", "another id: the engineer has this one"


def _levels(file: model.RigFile) -> Iterator[_Contradiction]:
    """Limits that a bus or performer would loosen, and starts above a ceiling."""
    limits = file.limits
    for i, bus in enumerate(file.bus):
        for key in ("send_ceiling_db", "master_ceiling_db", "rise_db_per_s", "step_db"):
            value, rig_value = getattr(bus, key), getattr(limits, key)
            if value is not None and value > rig_value:
                yield ("bus", i, key), f"{value:g}", f"at most limits.{key}, {rig_value:g}"
        ceiling = (
            limits.master_ceiling_db if bus.master_ceiling_db is None else bus.master_ceiling_db
        )
        if bus.start_db > ceiling:
            yield ("bus", i, "start_db"), f"{bus.start_db:g}", f"at most its ceiling, {ceiling:g}"
        sends = limits.send_ceiling_db if bus.send_ceiling_db is None else bus.send_ceiling_db
        for name, level in bus.start_mix.items():
            if level > sends:
                yield (
                    ("bus", i, "start_mix", name),
                    f"{level:g}",
                    f"at most the send ceiling, {sends:g}",
                )


def _paces(file: model.RigFile) -> Iterator[_Contradiction]:
    """Performers whose levels would rise faster than the rig allows."""
    for i, performer in enumerate(file.performer):
        for key in ("rise_db_per_s", "step_db"):
            value, rig_value = getattr(performer, key), getattr(file.limits, key)
            if value is not None and value > rig_value:
                yield ("performer", i, key), f"{value:g}", f"at most limits.{key}, {rig_value:g}"


def _roads(file: model.RigFile) -> Iterator[_Contradiction]:
    """Controllers and a console that cannot be reached, or in two ways at once."""
    for i, controller in enumerate(file.controller):
        here: Path = ("controller", i)
        if (controller.listen is None) == (controller.midi is None):
            yield here, "both or neither of 'listen' and 'midi'", "one of them"
        if controller.listen is not None and controller.source is None:
            yield (*here, "source"), "nothing", "the address that it sends from"
        if controller.source is not None and not _SOURCE.fullmatch(controller.source):
            yield (*here, "source"), repr(controller.source), "192.0.2.20 or 192.0.2.20:9000"
    if (file.console.send is None) == (file.console.midi is None):
        yield ("console",), "both or neither of 'send' and 'midi'", "one of them"
