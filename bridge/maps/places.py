"""Which slots an entry is about, and what the map calls them there. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import product
from typing import NamedTuple

from bridge.errors import Fault, MapError
from bridge.limits import SPOTS_MAX
from bridge.maps.model import Entry, MapFile
from bridge.maps.move import NOWHERE
from bridge.rig.layout import KINDS, Layout, Parameter, Scope

SCOPE_FIELDS: dict[Scope, tuple[str, ...]] = {
    Scope.CHANNEL: ("channel",),
    Scope.CELL: ("channel", "bus"),
    Scope.BUS: ("bus",),
    Scope.PERFORMER: ("performer",),
    Scope.GROUP: ("group",),
    Scope.PRESET: ("preset",),
    Scope.WHOLE: (),
}
"""What an entry must tell apart, by its parameter's scope."""

_FIRST = ("channel", "performer", "group", "preset")
"""What a place's first number may count."""


@dataclass(frozen=True, slots=True)
class ConsoleNames:
    """What the other end calls each channel and bus.

    Attributes:
        channels: Number or name of each channel, in rig order; None where it cannot be reached.
        buses: Number or name of each bus, in rig order; None where it cannot be reached.
    """

    channels: tuple[int | str | None, ...]
    buses: tuple[int | str | None, ...]

    @classmethod
    def counted(cls, layout: Layout) -> ConsoleNames:
        """Numbers 1, 2, 3 ... in rig order."""
        return cls(
            tuple(range(1, len(layout.channels) + 1)), tuple(range(1, len(layout.buses) + 1))
        )

    @classmethod
    def own(cls, layout: Layout, buses: tuple[int, ...]) -> ConsoleNames:
        """For a performer's controller: their own buses are 1, 2 ...; others cannot be reached.

        Args:
            layout: The rig's layout.
            buses: Indexes of the performer's buses, in the order of their own counting.
        """
        mine = {bus: number for number, bus in enumerate(buses, start=1)}
        counted = cls.counted(layout)
        return cls(counted.channels, tuple(mine.get(bus) for bus in range(len(layout.buses))))


class Place(NamedTuple):
    """One slot that an entry is about, the names for its templates, and the indexes in the rig."""

    slot: int
    names: Mapping[str, int | str]
    at: Mapping[str, int]


class Gazetteer:
    """Every name of every place, to walk over the slots of an entry."""

    def __init__(self, map_file: MapFile, layout: Layout, names: ConsoleNames) -> None:
        """Prepare to walk.

        Raises:
            ValueError: ``names`` does not fit ``layout``.
        """
        if len(names.channels) != len(layout.channels) or len(names.buses) != len(layout.buses):
            raise ValueError("as many names as the layout has channels and buses")
        self._map, self._layout = map_file, layout
        self._names: dict[str, tuple[int | str | None, ...]] = {
            "channel": names.channels,
            "bus": names.buses,
            "performer": tuple(range(1, len(layout.performers) + 1)),
            "group": tuple(range(1, len(layout.groups) + 1)),
            "preset": tuple(range(1, len(layout.presets) + 1)),
        }
        self._ids = {
            "channel": layout.channels,
            "bus": layout.buses,
            "performer": layout.performers,
            "group": layout.groups,
            "preset": layout.presets,
        }
        self._bases: dict[Parameter, int] = {}
        self._walked = 0

    def index(self, what: str, wanted: int | str) -> int:
        """The index of a channel, bus, performer or group by number, name or id.

        Raises:
            ValueError: there is none.
        """
        for known in (self._names[what], self._ids[what]):
            if wanted in known:
                return known.index(wanted)
        there = ", ".join(str(name) for name in self._names[what][:8] if name is not None)
        raise ValueError(f"no {what} {wanted}, there is {there or 'none'}")

    def _indexes(self, what: str, entry: Entry) -> list[int]:
        fixed: int | str | None = getattr(entry, what)
        if fixed is not None:
            return [self.index(what, fixed)]
        ends = {"channel": entry.channels, "bus": entry.buses}.get(what)
        low, high = ends or (0, 1 << 30)
        return [
            index
            for index, name in enumerate(self._names[what])
            if name is not None
            and (ends is None or (isinstance(name, int) and low <= name <= high))
        ]

    def walk(self, entry: Entry, told_apart: frozenset[str]) -> Iterator[Place]:
        """Every place of an entry.

        Args:
            entry: The entry.
            told_apart: What its messages have fields for.

        Raises:
            ValueError: a fixed channel or bus that there is not.
            MapError: more places than a map may have.
        """
        if entry.parameter is None:
            yield Place(NOWHERE, {}, {})  # it is about the controller's own turn
            return
        scope = KINDS[entry.parameter][1]
        fields = SCOPE_FIELDS[scope]
        if scope is Scope.PERFORMER and entry.performer is None and "performer" not in told_apart:
            fields = ()  # freeze without a performer is everybody's
        options = [self._indexes(what, entry) for what in fields]
        for chosen in product(*options):
            self._walked += 1
            if self._walked > SPOTS_MAX:
                raise MapError([Fault(self._map.at(()), "too many places", f"{SPOTS_MAX} at most")])
            at = dict(zip(fields, chosen, strict=True))
            yield Place(self.slot(entry.parameter, at), self._named(at), at)

    def _named(self, at: Mapping[str, int]) -> dict[str, int | str]:
        named = {what: self._names[what][index] for what, index in at.items()}
        return {
            what: self._ids[what][at[what]] if name is None else name
            for what, name in named.items()
        }

    def slot(self, parameter: Parameter, at: Mapping[str, int]) -> int:
        """The slot of a parameter where the indexes say."""
        if "channel" in at and "bus" in at:
            base = self._bases.get(parameter, -1)
            if base < 0:
                base = self._bases[parameter] = self._layout.slot(parameter, 0, 0)
            return base + at["channel"] * len(self._layout.buses) + at["bus"]
        first = next((at[what] for what in _FIRST if what in at), -1)
        return self._layout.slot(parameter, first, at.get("bus", -1))
