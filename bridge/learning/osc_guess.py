"""OSC that was heard: which argument is the value, its type and range, and what it can be. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import NamedTuple

from bridge.learning.finding import (
    ABSOLUTE,
    MOVING,
    PRESS,
    RELATIVE,
    STEADY,
    Ask,
    Finding,
    Group,
    Movement,
    Setting,
    Sure,
    all_values,
)
from bridge.learning.presses import alternates, button
from bridge.learning.turning import CLICKS_MAX, repeats
from bridge.learning.watch import Argument, Direction, Take
from bridge.maps.template import address_flaw

TOPS = (1, 100, 127, 255, 1000, 1023, 4095, 10_000, 16_383, 65_535)
"""Highest numbers that controls usually say (common practice)."""

DB_MAX = 24.0
"""Highest level that a control in dB says: no console amplifies more after its fader."""

DB_MIN = -1.5
"""Numbers that go below this and not above ``DB_MAX`` look like dB, not like a pan -1..1."""

TYPE_WORDS = {
    "i": "a whole number",
    "h": "a long whole number",
    "f": "a float",
    "d": "a long float",
    "s": "a text",
    "T": "true and false",
}
"""What people call the type tags (OSC 1.0 Specification, "OSC Type Tag String")."""

ON_WORDS = frozenset(("on", "true", "yes", "down", "pressed", "active", "1"))
"""Words that say 1 (common practice); otherwise the first that was heard does."""

_Told = tuple[tuple[str, Argument], ...]


class _Said(NamedTuple):
    """The messages of one address: take by take, their arguments and times."""

    direction: Direction
    told: list[_Told]
    at_s: list[float]


def osc_groups(takes: Sequence[Take]) -> tuple[list[Group], list[str]]:
    """What was moved, as far as it can be said, and what cannot be a control."""
    addresses = dict.fromkeys(key for take in takes for key in take.traces if isinstance(key, str))
    groups: list[Group] = []
    notes: list[str] = []
    for address in addresses:
        found = _group(address, _said(takes, address))
        if isinstance(found, str):
            notes.append(f"{address}: {found}")
        else:
            groups.append(found)
    return groups, notes


def _said(takes: Sequence[Take], address: str) -> list[_Said]:
    said = []
    for take in takes:
        trace = take.traces.get(address)
        if trace is not None:
            samples = [one for one in trace.samples if isinstance(one.value, tuple)]
            told = [one.value for one in samples if isinstance(one.value, tuple)]
            said.append(_Said(take.direction, told, [one.at_s for one in samples]))
    return said


def _group(address: str, said: Sequence[_Said]) -> Group | str:
    """An address as a control; in words, why it cannot be one."""
    if address_flaw(address):
        return "an address pattern, of which a map can say only the addresses that it means"
    told = [one for take in said for one in take.told]
    if len({len(one) for one in told}) > 1:
        return "sometimes more arguments and sometimes fewer: no map can say that"
    moving = _moving(told)
    if len(moving) > 1:
        return f"{len(moving)} arguments move together: an entry has one value"
    if not moving:
        return _unmoved(address, said, told)
    at = moving[0]
    before, after = _constants(told[0][:at]), _constants(told[0][at + 1 :])
    if before is None or after is None:
        return "an argument of a type that a map cannot say"
    keys: dict[str, Setting] = {"address": address}
    if before:
        keys["before"] = before
    if after:
        keys["after"] = after
    return _value(keys, said, at)


def _moving(told: Sequence[_Told]) -> list[int]:
    """Which arguments are not always the same; 1 and 1.0 are, true and 1 are not."""
    columns = zip(*told, strict=True)
    return [
        number
        for number, column in enumerate(columns)
        if len({(isinstance(value, bool), value) for _, value in column}) > 1
    ]


def _constants(args: _Told) -> list[bool | int | float | str] | None:
    kept = [value for _, value in args if value is not None]
    fits = all(not isinstance(one, float) or math.isfinite(one) for one in kept)
    return kept if fits and len(kept) == len(args) else None


def _unmoved(address: str, said: Sequence[_Said], told: Sequence[_Told]) -> Group | str:
    """Always the same message: a press, or clicks one way."""
    constants = _constants(told[0])
    if constants is None:
        return "an argument of a type that a map cannot say"
    keys: dict[str, Setting] = {"address": address, "type": "none"}
    if constants:
        keys["before"] = constants
    words = f"{address}{_shown(constants)}, always the same"
    press = Finding(PRESS, keys, words, Sure.LIKELY if constants else Sure.CERTAIN)
    group = Group([press], None, STEADY if constants else MOVING, min(64, len(told)) + 1)
    if constants and isinstance(constants[-1], int | float):
        group = _steady_number(group, address, said, told)
    return group


def _steady_number(
    group: Group, address: str, said: Sequence[_Said], told: Sequence[_Told]
) -> Group:
    """One number over and over: a knob turned one way would say it too."""
    at = len(told[0]) - 1
    value = told[0][at][1]
    press = group.findings[0]
    group.findings = [replace(press, sure=Sure.UNSURE)]
    asked = {one.direction for one in said}
    group.ask = Ask.AGAIN if len(told) == 1 else Ask.UP
    whole = isinstance(value, int | float) and value == int(value) and not isinstance(value, bool)
    if whole and isinstance(value, int | float) and 0 < abs(value) <= CLICKS_MAX:
        if len(told) > 1 and {Direction.UP, Direction.DOWN} <= asked:
            group.findings, group.ask = [press], None
        else:
            group.findings.append(_clicks(address, said, at, Sure.UNSURE))
            group.ask = Ask.DOWN if Direction.UP in asked else group.ask
    elif len(told) > 1:
        group.findings, group.ask = [press], Ask.FARTHER if Direction.UP not in asked else None
    return group


def _shown(args: Sequence[object]) -> str:
    return f" {' '.join(map(str, args))}" if args else ""


def _value(keys: dict[str, Setting], said: Sequence[_Said], at: int) -> Group | str:
    """An address with one argument that moves."""
    tags = {one[at][0] for take in said for one in take.told}
    values = [one[at][1] for take in said for one in take.told]
    if None in values:
        return "a value of a type that a map cannot say"
    if tags <= {"T", "F"}:
        moved = _numbers(said, at)
        return _switch({**keys, "type": "T"}, moved, TYPE_WORDS["T"], (False, True))
    if tags == {"s"}:
        return _text(keys, said, at)
    if not tags <= set("ifhd"):
        return "values of several types: a map can say one"
    kind = next((tag for tag in "dfh" if tag in tags), "i")
    return _number({**keys, "type": kind}, _numbers(said, at), kind)


def _numbers(said: Sequence[_Said], at: int) -> list[Movement]:
    """The value of every message as a number."""
    moved = []
    for take in said:
        values = [value for one in take.told if isinstance(value := one[at][1], bool | int | float)]
        moved.append(Movement(take.direction, tuple(map(float, values)), tuple(take.at_s)))
    return moved


def _text(keys: dict[str, Setting], said: Sequence[_Said], at: int) -> Group | str:
    """Words: two of them are the states of a switch."""
    words = [one[at][1] for take in said for one in take.told]
    known = list(dict.fromkeys(str(word) for word in words))
    if len(known) != 2:
        return f"{len(known)} different words: a map can say the two of a switch"
    on = next((word for word in known if word.lower() in ON_WORDS), known[0])
    off = known[known[0] == on]
    moved = [
        Movement(take.direction, tuple(float(one[at][1] == on) for one in take.told),
                 tuple(take.at_s))
        for take in said
    ]  # fmt: skip
    group = _switch({**keys, "type": "s"}, moved, f"the texts {off!r} and {on!r}", (off, on))
    if on.lower() not in ON_WORDS:
        note = f"which word is on is a guess: {on!r} came first"
        group.findings = [one.at_most(Sure.LIKELY, note) for one in group.findings]
    return group


_Words = tuple[bool | int | float | str, bool | int | float | str]


def _switch(
    keys: dict[str, Setting], moved: Sequence[Movement], what: str, states: _Words
) -> Group:
    pressed = button(moved, lambda value: value >= 0.5)
    words = f"{keys['address']} with {what}"
    plain = keys["type"] == "T"
    finding = Finding(pressed.kind, keys, words, pressed.sure, states=states, plain=plain)
    return Group([finding], pressed.ask, MOVING, min(64, len(all_values(moved))) + 2)


def _number(keys: dict[str, Setting], moved: Sequence[Movement], kind: str) -> Group:
    """A number that moves: two states, clicks, or a place with its range."""
    values = all_values(moved)
    distinct = sorted(set(values))
    whole = all(value == math.floor(value) for value in values if math.isfinite(value))
    weight = len(distinct) + min(64, len(values))
    address = str(keys["address"])
    if len(distinct) == 2 and whole and alternates(moved) and _states(distinct):
        return _two_states(keys, moved, distinct)
    if whole and _is_clicks(values) and math.isfinite(min(values)):
        sure = Sure.CERTAIN if len(values) >= 6 and repeats(moved) >= 0.2 else Sure.LIKELY
        finding = Finding(RELATIVE, {**keys, "action": RELATIVE},
                          f"{address} with {TYPE_WORDS[kind]}", sure)  # fmt: skip
        place = _place(keys, distinct, kind, whole)
        return Group([finding, *place.findings[:1]], None, MOVING, weight)
    group = _place(keys, distinct, kind, whole)
    group.weight = weight
    return group


def _states(distinct: Sequence[float]) -> bool:
    return all(map(math.isfinite, distinct)) and distinct[0] >= 0.0


def _is_clicks(values: Sequence[float]) -> bool:
    """Small numbers both ways and never 0, where no place could get across without it."""
    return (
        min(values) < 0 < max(values)
        and 0 not in values
        and max(map(abs, values)) <= CLICKS_MAX
        and any(a == b for a, b in pairwise(values))
    )


def _two_states(
    keys: dict[str, Setting], moved: Sequence[Movement], distinct: Sequence[float]
) -> Group:
    low, high = distinct
    pressed = button(moved, lambda value: value > low)
    kind = str(keys["type"])
    said: _Words = (low, high) if kind in "fd" else (int(low), int(high))
    words = f"{keys['address']} with {TYPE_WORDS[kind]}, {low:g} and {high:g}"
    plain = (low, high) == (0.0, 1.0)
    finding = Finding(pressed.kind, keys, words, pressed.sure, states=said, plain=plain)
    place = _place(keys, distinct, kind, True)
    others = [one.at_most(Sure.UNSURE) for one in place.findings[:1]]
    return Group([finding, *others], pressed.ask, MOVING, len(all_values(moved)) + 2)


def _clicks(address: str, said: Sequence[_Said], at: int, sure: Sure) -> Finding:
    first = said[0].told[0]
    keys: dict[str, Setting] = {"address": address, "type": first[at][0], "action": RELATIVE}
    before = _constants(first[:at])
    if before:
        keys["before"] = before
    return Finding(RELATIVE, keys, f"{address} with {TYPE_WORDS[first[at][0]]}", sure)


class _Range(NamedTuple):
    """A range that numbers may have: its ends, whether in dB, how sure that is."""

    low: float
    high: float
    sure: Sure
    unit_db: float = 0.0
    words: str = ""


def _place(keys: dict[str, Setting], distinct: Sequence[float], kind: str, whole: bool) -> Group:
    """A place in one of the ranges that the numbers can have."""
    address = str(keys["address"])
    finite = [value for value in distinct if math.isfinite(value)]
    if not finite or math.inf in distinct:
        lost = Finding(PRESS, keys, f"{address} says no number", Sure.UNSURE)
        return Group([lost], Ask.FARTHER, MOVING)
    ranges = _ranges(finite, -math.inf in distinct, whole and kind in "ih")
    findings = []
    for one in ranges:
        words = f"{address} with {TYPE_WORDS[kind]}, {one.words or f'{one.low:g} to {one.high:g}'}"
        off = distinct[0] if one.unit_db and distinct[0] < -90.0 and kind in "fd" else None
        findings.append(
            Finding(ABSOLUTE, keys, words, one.sure, span=(one.low, one.high),
                    went=(finite[0], finite[-1]), ends=(one.low, one.high),
                    unit_db=one.unit_db, off=off)
        )  # fmt: skip
    ask = Ask.FARTHER if ranges[0].sure is Sure.UNSURE or len(finite) < 4 else None
    return Group(findings, ask, MOVING)


def _ranges(finite: Sequence[float], endless: bool, counted: bool) -> list[_Range]:
    """The likeliest range first."""
    low, high = finite[0], finite[-1]
    if endless:
        return [_decibels(low, high, counted, Sure.CERTAIN)]
    tenths = counted and low < -150 and high <= 10 * DB_MAX
    if low < DB_MIN and (high <= DB_MAX or tenths):
        looks = _decibels(low, high, counted, Sure.LIKELY)
        return [looks, _both_ways(low, high)] if high > 0 else [looks]
    if low < 0:
        if not counted and high <= 1.0 and low >= -1.0:
            return [_Range(-1.0, 1.0, Sure.LIKELY), _decibels(low, high, counted, Sure.UNSURE)]
        return [_both_ways(low, high)]
    top = next((top for top in TOPS if high <= top), math.ceil(high))
    reached = high == top or (top == 1 and not counted)
    near = [one for one in TOPS if high <= one <= 1.5 * max(high, 1.0)][:2]
    if reached:
        return [_Range(0.0, top, Sure.CERTAIN if high > 0.5 * top else Sure.LIKELY)]
    return [_Range(0.0, float(one), Sure.UNSURE) for one in dict.fromkeys((top, *near))]


def _decibels(low: float, high: float, counted: bool, sure: Sure) -> _Range:
    """Levels in dB; whole ones below -150 count in tenths."""
    if not counted:
        return _Range(low, high, sure, 1.0, "in dB")
    unit_db = 0.1 if low < -150 else 1.0
    words = f"in steps of {unit_db:g} dB"
    return _Range(low, high, min(sure, Sure.LIKELY), unit_db, words)


def _both_ways(low: float, high: float) -> _Range:
    """A range around zero: as far down as up, or one further down (-64 to 63)."""
    top = next((top for top in (1, 50, 63, 100, 127, 1000, 8191, 32767) if high <= top), high)
    lowest = -top - 1 if low < -top and low >= -top - 1 else -top
    sure = Sure.LIKELY if low >= lowest and (high == top or low == lowest) else Sure.UNSURE
    return _Range(min(low, float(lowest)), float(top), sure)
