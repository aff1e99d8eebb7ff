"""A map's entries at every place, compiled to spots in one language. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from bridge.errors import Fault, MapError
from bridge.maps.flaw import Flaw
from bridge.maps.midi_book import MidiBook
from bridge.maps.midi_form import MidiForm
from bridge.maps.model import MapFile, MidiEntry, OscEntry
from bridge.maps.osc_book import OscBook
from bridge.maps.osc_form import OscForm
from bridge.maps.places import ConsoleNames, Gazetteer, Place
from bridge.maps.scale import Scale
from bridge.maps.scales import scale_of
from bridge.rig.layout import Layout

Form = OscForm | MidiForm


@dataclass(frozen=True, slots=True)
class Line:
    """One entry of a map, compiled.

    Attributes:
        number: Which entry, from 0.
        entry: What the file says.
        form: Its messages.
        scale: Its values.
    """

    number: int
    entry: OscEntry | MidiEntry
    form: Form
    scale: Scale


def form_of(entry: OscEntry | MidiEntry, map_file: MapFile) -> Form:
    """An entry's messages.

    Raises:
        Flaw: they cannot be.
    """
    return OscForm(entry, map_file) if isinstance(entry, OscEntry) else MidiForm(entry)


def compiled(map_file: MapFile) -> list[Line]:
    """Every entry of a map that has been checked by ``parse_map``.

    Raises:
        MapError: an entry that cannot be; all of them together.
    """
    lines: list[Line] = []
    faults: list[Fault] = []
    for number, entry in enumerate(map_file.entries):
        try:
            form = form_of(entry, map_file)
            lines.append(Line(number, entry, form, scale_of(entry, map_file, form.carrier)))
        except Flaw as flaw:
            faults.append(flaw.fault(map_file, (map_file.language, number)))
    if faults:
        raise MapError(faults)
    return lines


class Book:
    """The spots of a map: what is said, what is heard, and how."""

    def __init__(
        self,
        map_file: MapFile,
        layout: Layout,
        names: ConsoleNames,
        *,
        careful: bool = False,
    ) -> None:
        """Compile a map's entries, before any of them is placed.

        Args:
            map_file: The map.
            layout: The rig's layout.
            names: The other end's numbers or names.
            careful: What is said moves levels at a console: no half of a value may be louder.

        Raises:
            MapError: an entry that cannot be.
        """
        self.map_file = map_file
        self.lines = compiled(map_file)
        self.places = Gazetteer(map_file, layout, names)
        self._osc = OscBook(patterns=map_file.map.kind == "controller")
        self._midi = MidiBook(careful=careful)
        self.talk: OscBook | MidiBook = self._midi if map_file.midi else self._osc
        self.faults: list[Fault] = []

    def walk(self, line: Line) -> Iterable[Place]:
        """Every place of an entry; a fault when it names a place that there is not."""
        try:
            return list(self.places.walk(line.entry, line.form.fields))
        except ValueError as problem:
            self.fault(Flaw("", problem, "a place in the rig"), line)
            return ()

    def add(self, line: Line, place: Place, *, hear: bool) -> int:
        """Enter an entry at a place; answers its spot, -1 after a fault."""
        try:
            if isinstance(line.form, OscForm):
                return self._osc.add(line.form, place.names, hear=hear)
            return self._midi.add(line.form, place.names, hear=hear)
        except Flaw as flaw:
            self.fault(flaw, line)
            return -1

    def fault(self, flaw: Flaw, line: Line) -> None:
        """Note a fault; one of a kind for each key of an entry is enough."""
        fault = flaw.fault(self.map_file, (self.map_file.language, line.number))
        if all(fault.where != other.where for other in self.faults):
            self.faults.append(fault)

    def check(self) -> None:
        """Let only a book without faults pass.

        Raises:
            MapError: all faults together.
        """
        if self.faults:
            raise MapError(self.faults)
