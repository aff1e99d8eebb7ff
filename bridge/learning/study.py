"""Whose controller it is, and what the rig gives these hands to move. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from bridge.house import console_words
from bridge.learning.finding import ABSOLUTE, LATCHING, RELATIVE, Finding
from bridge.maps.model import MapFile
from bridge.maps.places import SCOPE_FIELDS
from bridge.mix.guard import Guard
from bridge.mix.matrix import Matrix
from bridge.rig.layout import KINDS, Kind, Parameter
from bridge.rig.rig import ENGINEER, Rig

NEEDS_CONSOLE = frozenset((
    Parameter.CHANNEL_FADER, Parameter.CHANNEL_MUTE, Parameter.SEND_LEVEL, Parameter.SEND_TAP,
    Parameter.SEND_PAN, Parameter.BUS_MASTER,
))  # fmt: skip
"""What the bridge cannot do where the console cannot be told."""

PRESETS = frozenset((
    Parameter.PRESET, Parameter.PRESET_NEXT, Parameter.PRESET_PREVIOUS, Parameter.PRESET_HOUSE,
    Parameter.PRESET_UNDO,
))  # fmt: skip
"""What there is none of where the rig names no presets."""

ONCE = PRESETS | {Parameter.ASK}
"""What is done once with each press and has no state to go back to."""

_ACTIONS: dict[tuple[str, Kind], tuple[str, ...]] = {
    (ABSOLUTE, Kind.LEVEL): ("absolute",),
    (ABSOLUTE, Kind.PAN): ("absolute",),
    (RELATIVE, Kind.LEVEL): ("relative",),
    (LATCHING, Kind.SWITCH): ("absolute", "toggle", "set"),
    (LATCHING, Kind.TAP): ("absolute", "toggle", "set"),
    ("momentary", Kind.SWITCH): ("toggle", "momentary", "set"),
    ("momentary", Kind.TAP): ("toggle", "momentary", "set"),
    ("press", Kind.SWITCH): ("toggle", "set"),
    ("press", Kind.TAP): ("toggle", "set"),
}
"""What each kind of control can do with each kind of parameter, the usual first."""

_ANY_BUTTON: dict[Kind, tuple[str, ...]] = {Kind.LEVEL: ("step", "set"), Kind.PAN: ("set",)}


def actions_of(finding: Finding, parameter: Parameter) -> tuple[str, ...]:
    """What a control can do with a parameter, the usual first; none where it is of no use."""
    kind = KINDS[parameter][0]
    if kind is Kind.SOUND:
        return ()
    if finding.unit_db and kind is not Kind.LEVEL:
        return ()
    if parameter in ONCE:
        return () if finding.kind in (ABSOLUTE, RELATIVE) else ("set",)
    found = _ACTIONS.get((finding.kind, kind))
    if found is None and finding.kind not in (ABSOLUTE, RELATIVE):
        found = _ANY_BUTTON.get(kind)
    if finding.kind == LATCHING and not _each_word_can_press(finding):
        return tuple(one for one in found or () if one == "absolute")
    return found or ()


def _each_word_can_press(finding: Finding) -> bool:
    """A map can take both words of a button as presses, where it knows them: not T and F."""
    return finding.states is not None and finding.keys.get("type") != "T"


@dataclass(frozen=True, slots=True)
class Spot:
    """One parameter at one place, and what the map calls the place.

    Attributes:
        slot: The parameter.
        names: ``channel``, ``bus`` and so on, as an entry of this controller's map names them.
        ids: The same as the rig names it.
        labels: The same as people call it.
    """

    slot: int
    names: tuple[tuple[str, int | str], ...]
    ids: tuple[str, ...]
    labels: tuple[str, ...]


class Study:
    """One controller of a rig.

    Attributes:
        rig: What was declared.
        number: The controller's number in it.
        who: The performer's number, -1 the engineer.
        language: ``osc`` or ``midi``: what goes over its link.
    """

    def __init__(self, rig: Rig, number: int, console: MapFile) -> None:
        """Prepare to learn a controller's controls.

        Args:
            rig: What was declared.
            number: The controller's number in it.
            console: The console's map.

        Raises:
            MapError: the console's map does not suit the rig.
        """
        self.rig, self.number = rig, number
        self.declared = rig.file.controller[number]
        self.who = rig.hands(self.declared)
        self.language = "osc" if self.declared.midi is None else "midi"
        can_set = console_words(rig, console).can_set
        self._matrix = Matrix(rig, can_set, 0.0)
        may = Guard(rig, self._matrix).may[self.who]
        layout = rig.layout
        self._spots: dict[Parameter, list[Spot]] = {}
        for parameter in Parameter:
            if parameter in PRESETS and not layout.presets:
                self._spots[parameter] = []
                continue
            needs = parameter in NEEDS_CONSOLE
            slots = [slot for slot in layout.slots(parameter) if not needs or slot in can_set]
            # anybody may silence all
            mine = [slot for slot in slots if may[slot] or parameter is Parameter.SILENCE]
            spots = map(self._spot, mine)
            self._spots[parameter] = [spot for spot in spots if spot is not None]

    @property
    def person(self) -> str:
        """Whose hands are on it."""
        return self.rig.person(self.who)

    def _spot(self, slot: int) -> Spot | None:
        parameter, first, bus = self.rig.layout.place(slot)
        names: list[tuple[str, int | str]] = []
        ids: list[str] = []
        labels: list[str] = []
        for what in SCOPE_FIELDS[KINDS[parameter][1]]:
            at = bus if what == "bus" else first
            if at < 0:
                continue  # everybody's freeze has no performer
            name = self._name(what, at)
            if name is None:
                return None
            names.append((what, name))
            ids.append(self._id(what, at))
            labels.append(self._label(what, at))
        return Spot(slot, tuple(names), tuple(ids), tuple(labels))

    def _name(self, what: str, at: int) -> int | str | None:
        """A place as the map says it: a performer's own buses by their number, else by id."""
        known = self._id(what, at)
        if what == "bus" and self.who != ENGINEER:
            own = self.rig.file.performer[self.who].buses
            return own.index(known) + 1 if known in own else None
        return known

    def _id(self, what: str, at: int) -> str:
        layout = self.rig.layout
        ids = {
            "channel": layout.channels,
            "bus": layout.buses,
            "performer": layout.performers,
            "group": layout.groups,
            "preset": layout.presets,
        }
        return ids[what][at]

    def _label(self, what: str, at: int) -> str:
        rig = self.rig
        if what == "channel":
            return rig.channel_label(at)
        if what == "bus":
            return rig.bus_label(at)
        if what == "performer":
            return rig.person(at)
        return self._id(what, at)

    def offers(self, finding: Finding) -> list[Parameter]:
        """What this control can move for these hands."""
        return [
            parameter
            for parameter, spots in self._spots.items()
            if spots and actions_of(finding, parameter)
        ]

    def spots(self, parameter: Parameter) -> list[Spot]:
        """The places where these hands may move it."""
        return self._spots[parameter]

    def top_db(self, slot: int) -> float:
        """The highest level that these hands can reach there by declaration, dB."""
        return min(self._tops(slot))

    def _tops(self, slot: int) -> Iterator[float]:
        file, m = self.rig.file, self._matrix
        parameter, _, bus = self.rig.layout.place(slot)
        keys = {Parameter.SEND_LEVEL: "send_ceiling_db", Parameter.BUS_MASTER: "master_ceiling_db"}
        key = keys.get(parameter)
        if key is None:
            yield file.limits.fader_ceiling_db if m.is_fader(slot) else 0.0
            return
        tables: list[object] = [file.limits, file.bus[bus]]
        if self.who != ENGINEER:
            tables.append(file.performer[self.who])
        yield from (db for table in tables if (db := getattr(table, key)) is not None)

    def sharing(self) -> list[int]:
        """Every controller with the same map, this one first."""
        others = [n for n, one in enumerate(self.rig.file.controller)
                  if one.map == self.declared.map and n != self.number]  # fmt: skip
        return [self.number, *others]
