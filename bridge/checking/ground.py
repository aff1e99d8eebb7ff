"""A rig with all its words compiled: what every check looks at. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from bridge.errors import Fault, MapError
from bridge.house import console_words, controller_words
from bridge.maps.book import Book
from bridge.maps.console import ConsoleWords
from bridge.maps.controller import Control, ControllerWords
from bridge.maps.model import MapFile
from bridge.maps.places import ConsoleNames
from bridge.mix.guard import Guard
from bridge.mix.matrix import Matrix
from bridge.rig.model import Controller
from bridge.rig.rig import ENGINEER, Rig


class Remark(NamedTuple):
    """A warning: file, line and key; what stands there and what follows; what to do about it."""

    where: str
    what: str
    remedy: str

    def __str__(self) -> str:
        return f"{self.where}: {self.what}; {self.remedy}"


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of a controller's map in its rig.

    Attributes:
        where: File, line and key of the entry.
        slots: The slots that it is about; none when it is about nothing here.
        controls: Its controls; none when it only shows.
    """

    where: str
    slots: tuple[int, ...]
    controls: tuple[Control, ...]


@dataclass(frozen=True, slots=True)
class Hands:
    """A controller, the person at it, and its words.

    Attributes:
        number: Its number in the rig.
        declared: What the rig says.
        who: The performer's number, -1 the engineer.
        map_file: Its map.
        words: Its words.
        entries: The map's entries, in the map's order.
    """

    number: int
    declared: Controller
    who: int
    map_file: MapFile
    words: ControllerWords
    entries: tuple[Entry, ...]


@dataclass(frozen=True, slots=True)
class Ground:
    """A rig, compiled.

    Attributes:
        rig: What was declared.
        maps: Its maps, by the names it uses.
        console: The console's words, at the bridge's end.
        hands: The controllers, in rig order.
        guard: Who may do what.
    """

    rig: Rig
    maps: Mapping[str, MapFile]
    console: ConsoleWords
    hands: tuple[Hands, ...]
    guard: Guard

    def may(self, hands: Hands, slot: int) -> bool:
        """Whether a controller's person has the right to move a slot, to some value at least."""
        return self.guard.refusal(hands.who, slot, 1.0) == ""


def compiled(rig: Rig, maps: Mapping[str, MapFile]) -> Ground:
    """Compile every map of a rig for where it is used.

    Raises:
        MapError: maps that do not suit the rig; the faults of all of them together.
    """
    faults: list[Fault] = []
    console: ConsoleWords | None = None
    hands: list[Hands] = []
    try:
        console = console_words(rig, maps[rig.file.console.map])
    except MapError as error:
        faults += error.faults
    for number in range(len(rig.file.controller)):
        try:
            hands.append(_hands(rig, maps, number))
        except MapError as error:
            faults += error.faults
    if faults or console is None:
        raise MapError(dict.fromkeys(faults))
    return Ground(rig, maps, console, tuple(hands), Guard(rig, Matrix(rig, console.can_set, 0.0)))


def _hands(rig: Rig, maps: Mapping[str, MapFile], number: int) -> Hands:
    declared = rig.file.controller[number]
    map_file = maps[declared.map]
    words = controller_words(rig, number, map_file)
    who = rig.hands(declared)
    entries = tuple(_entries(map_file, words, rig, who))
    return Hands(number, declared, who, map_file, words, entries)


def _entries(map_file: MapFile, words: ControllerWords, rig: Rig, who: int) -> Iterator[Entry]:
    """The entries with their controls, which the words number in the order of the entries."""
    book = Book(map_file, rig.layout, _names(rig, who))
    controls = iter(words.controls)
    for line in book.lines:
        slots = tuple(place.slot for place in book.walk(line))
        moves = "move" in (line.entry.use or ["move"])
        where = map_file.at((map_file.language, line.number))
        yield Entry(where, slots, tuple(next(controls) for _ in slots) if moves else ())


def _names(rig: Rig, who: int) -> ConsoleNames:
    if who == ENGINEER:
        return ConsoleNames.counted(rig.layout)
    buses = rig.file.performer[who].buses
    return ConsoleNames.own(rig.layout, tuple(map(rig.layout.buses.index, buses)))


def some(names: list[str], shown: int = 1) -> str:
    """A list as people read it: the first ones, and how many more."""
    more = len(names) - shown
    return ", ".join(names[:shown]) + (f" and {more} more" if more > 0 else "")
