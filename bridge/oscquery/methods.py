"""OSC methods: what may be said at one address with one type tag string, and its value now. Pure.

"OSCQuery" is the proposal at github.com/Vidvox/OSCQueryProposal, README of 2018-08-31.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any, NamedTuple

from bridge.maps.osc_form import tags_of
from bridge.maps.scale import Raw
from bridge.maps.turns import ALWAYS
from bridge.oscquery.ranges import Item, finite
from bridge.oscquery.spots import Spot, is_level

READ, WRITE = 1, 2
"""Bits of ``ACCESS`` (OSCQuery, "Optional Attributes")."""


class Facts(NamedTuple):
    """What does not change about a spot.

    Attributes:
        item: What its value may be; None where there is nothing to say.
        unit: The value's unit; None for none.
        text: What it is, for people.
        off: A word for "off" means something here, and may be said.
    """

    item: Item | None
    unit: str | None
    text: str
    off: bool = True


class Now(NamedTuple):
    """The value of a method at a moment: the spot that speaks, and its parameter's value."""

    spot: Spot
    value: float


class Method:
    """One address with one type tag string.

    Several entries of a map may share them, told apart by constant arguments or by the turn in
    which they speak. Where constants tell them apart there is no one value to read.

    Args:
        spots: What it may mean, at least one.
        facts: The facts of each spot.

    Attributes:
        address: Its address.
        spots: What it may mean.
        tags: Its type tags without the comma; empty for a message without arguments, which is
            what stands behind the comma of such a message.
        access: ``ACCESS``: 1 read, 2 write, 3 both.
        static: Its attributes, all but the value.
        false: The same with the tag ``F``, which is how OSC says that a truth is not; None where
            there is no such message.
    """

    def __init__(self, spots: Sequence[Spot], facts: Sequence[Facts]) -> None:
        spoken = spots[0].spoken
        self.address, self.tags, self.spots = spoken.address, tags(spots[0]), tuple(spots)
        self._read = _told(spots)
        writes = any(spot.moves for spot in spots)
        self.access = (WRITE if writes else 0) | (READ if self._read else 0)
        self.static: dict[str, Any] = {
            "FULL_PATH": self.address,
            "ACCESS": self.access,
            "TYPE": self.tags,
            "DESCRIPTION": "; or ".join(dict.fromkeys(one.text for one in facts)),
        }
        before, after = _constants(spots, "before"), _constants(spots, "after")
        value = [] if spoken.type == "none" else [_joined([one.item for one in facts])]
        self._add("RANGE", [*before, *value, *after])
        self.false = self._negated(spots, facts) if spoken.type == "T" else None
        units = {one.unit for one in facts}
        if len(units) == 1:
            self._add("UNIT", [*[None] * len(before), *units, *[None] * len(after)])

    def _add(self, attribute: str, items: list[Any]) -> None:
        """An attribute with one item a type tag, null where there is nothing to say."""
        if any(item is not None for item in items):
            self.static[attribute] = items

    def _negated(self, spots: Sequence[Spot], facts: Sequence[Facts]) -> dict[str, Any] | None:
        if not any(spot.moves and one.off for spot, one in zip(spots, facts, strict=True)):
            return None
        at = len(spots[0].spoken.before)
        return {**self.static, "TYPE": f"{self.tags[:at]}F{self.tags[at + 1 :]}", "ACCESS": WRITE}

    def now(self, read: Callable[[int], float], turn: int) -> Now | None:
        """What its value is now; None where there is none yet, or in this turn.

        Args:
            read: The value of a parameter.
            turn: Number of the turn that is on.
        """
        for spot in self._read:
            if spot.turn in (ALWAYS, turn):
                value = read(spot.slot)
                return Now(spot, value) if value == value else None
        return None


def tags(spot: Spot) -> str:
    """The type tags of a spot's message; a truth counts as ``T``."""
    before, after = tags_of(spot.spoken.before), tags_of(spot.spoken.after)
    return before + spot.spoken.type.removeprefix("none") + after


def shown(now: Now) -> list[Any]:
    """``VALUE``: the arguments of the message that says it, as JSON has them."""
    spot, raw = now.spot, now.spot.scale.raw(now.value)
    if spot.spoken.type == "T":
        raw = bool(raw)
    elif is_level(spot.entry):
        raw = finite(raw, spot.scale, spot.entry)
    return [*spot.spoken.before, raw, *spot.spoken.after]


def message(now: Now) -> bytes:
    """The OSC message that says a value, as the controller would be shown it."""
    return now.spot.spoken.message(now.spot.scale.raw(now.value))


def _told(spots: Iterable[Spot]) -> tuple[Spot, ...]:
    """The spots whose value can be read as the method's; none where several speak at once."""
    found = [spot for spot in spots if spot.readable]
    by_turn: dict[int, int] = {}
    for spot in found:
        others = by_turn.values() if spot.turn == ALWAYS else _same_turn(by_turn, spot.turn)
        if any(slot != spot.slot for slot in others):
            return ()
        by_turn[spot.turn] = spot.slot
    return tuple(found)


def _same_turn(by_turn: dict[int, int], turn: int) -> list[int]:
    return [slot for each, slot in by_turn.items() if each in (turn, ALWAYS)]


def _constants(spots: Sequence[Spot], side: str) -> list[Item | None]:
    """Items of the constant arguments before or after the value: the only words that count."""
    columns = zip(*[getattr(spot.spoken, side) for spot in spots], strict=True)
    return [{"VALS": _sorted(column)} for column in columns]


def _sorted(words: Iterable[Raw]) -> list[Raw]:
    known = dict.fromkeys(words)
    return sorted(known, key=lambda word: (isinstance(word, str), word))


def _joined(items: Sequence[Item | None]) -> Item | None:
    """An item that covers all of several."""
    known = [item for item in items if item is not None]
    if len(known) < len(items):
        return None
    words = [word for item in known for word in item.get("VALS", ())]
    if all("VALS" in item for item in known):
        return {"VALS": _sorted(words)}
    numbers = [item[end] for item in known for end in ("MIN", "MAX") if end in item]
    numbers += [word for word in words if not isinstance(word, str)]
    return {"MIN": min(numbers), "MAX": max(numbers)}
