"""NRPN and RPN in what was heard: which parameter, in which halves, or in steps. Pure.

Facts: MIDI 1.0 Detailed Specification 4.2, "Registered and Non-Registered Parameter Numbers":
controllers 98..101 choose, 6 and 38 enter, 96 and 97 step.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from bridge.learning.finding import (
    ABSOLUTE,
    RELATIVE,
    Ask,
    Finding,
    Group,
    Movement,
    Setting,
    Sure,
    all_values,
)
from bridge.learning.halves import COARSE, FINE, SELECT, Half, comes_fine_first
from bridge.learning.presses import alternates, button
from bridge.learning.watch import Direction, Key, Take
from bridge.wire.midi_events import CONTROL, DATA_LSB, DATA_MSB, DECREMENT, INCREMENT
from bridge.wire.midi_halves import SELECTORS, Selection

PARAMETER_CONTROLS = frozenset((*SELECTORS, DATA_MSB, DATA_LSB, INCREMENT, DECREMENT))
"""Controllers that a MIDI channel needs for its parameters."""

_ENTERS = {DATA_MSB: COARSE, DATA_LSB: FINE}


@dataclass(slots=True)
class _Parameter:
    """What one parameter was told: the halves, and the clicks, of each take."""

    halves: list[list[Half]] = field(default_factory=list)
    clicks: list[int] = field(default_factory=list)
    directions: list[Direction] = field(default_factory=list)


def chooses(takes: Sequence[Take], channel: int) -> bool:
    """Whether a MIDI channel was heard to choose a parameter and to enter something."""
    heard = {key[2] for take in takes for key in take.traces
             if isinstance(key, tuple) and key[:2] == (CONTROL, channel)}  # fmt: skip
    return bool(heard & SELECTORS.keys()) and bool(heard & (PARAMETER_CONTROLS - SELECTORS.keys()))


def parameter_groups(takes: Sequence[Take], channel: int) -> list[Group]:
    """Every parameter that was told something on a MIDI channel.

    A device may choose once for many takes, so what was chosen outlasts a take.
    """
    found: dict[tuple[bool, int], _Parameter] = {}
    selection = Selection({})
    for take in takes:
        _read(take, channel, selection, found)
    return [
        _group("rpn" if registered else "nrpn", channel, number, told)
        for (registered, number), told in found.items()
    ]


def _read(
    take: Take, channel: int, selection: Selection, found: dict[tuple[bool, int], _Parameter]
) -> None:
    """Follow one take."""
    chosen = False
    begun: set[tuple[bool, int]] = set()
    for control, value, at_s in _told(take, channel):
        if control in SELECTORS:
            selection.select(control, value)
            chosen = True
            continue
        if selection.halves is None:
            continue
        at = (selection.registered, selection.number)
        told = found.setdefault(at, _Parameter())
        if at not in begun:
            begun.add(at)
            told.halves.append([])
            told.directions.append(take.direction)
        if control in _ENTERS:
            marks = [Half(SELECT, 0, at_s)] if chosen else []
            told.halves[-1] += [*marks, Half(_ENTERS[control], value, at_s)]
        else:
            told.clicks.append(1 if control == INCREMENT else -1)
        chosen = False


def _told(take: Take, channel: int) -> list[tuple[int, int, float]]:
    """Controller, value and time of all that has to do with parameters, in order."""
    heard = []
    for key, trace in take.traces.items():
        if _has_to_do(key, channel):
            heard += [(one.order, key[2], one.value, one.at_s) for one in trace.samples]
    told: list[Any] = [one[1:] for one in sorted(heard, key=lambda one: one[0])]
    return told


def _has_to_do(key: Key, channel: int) -> bool:
    return isinstance(key, tuple) and key[:2] == (CONTROL, channel) and key[2] in PARAMETER_CONTROLS


def _group(message: str, channel: int, number: int, told: _Parameter) -> Group:
    keys: dict[str, Setting] = {"message": message, "midi_channel": channel, "number": number}
    words = f"{message.upper()} {number} on MIDI channel {channel}"
    halves = [one for take in told.halves for one in take if one.which != SELECT]
    if len(told.clicks) > len(halves):
        return _stepped(keys, words, told)
    fine = any(one.which == FINE for one in halves)
    fine_first = fine and comes_fine_first(told.halves)
    if not fine:
        keys["bits"] = 7
    elif fine_first:
        keys["lsb_first"] = True
    bits = ", 14 bit, fine half first" if fine_first else ", 14 bit" if fine else ", 7 bit"
    moved = numbers(told.halves, told.directions, fine=fine, fine_first=fine_first)
    group = absolute_group(keys, words + bits, moved, top=16383 if fine else 127)
    if fine and all(one.which == FINE for one in halves):
        note = "only fine halves came: move it farther, or the rest is not known"
        group.findings = [one.at_most(Sure.UNSURE, note) for one in group.findings]
        group.ask = Ask.FARTHER
    return group


def _stepped(keys: dict[str, Setting], words: str, told: _Parameter) -> Group:
    both = len(set(told.clicks)) == 2
    sure = Sure.CERTAIN if both else Sure.LIKELY
    finding = Finding(RELATIVE, {**keys, "action": RELATIVE}, f"{words}, steps up and down", sure)
    return Group([finding], None, weight=len(told.clicks) + 2)


def numbers(
    takes: Sequence[Sequence[Half]],
    directions: Sequence[Direction],
    *,
    fine: bool,
    fine_first: bool,
) -> list[Movement]:
    """The numbers that halves make, a movement a take.

    Args:
        takes: The halves.
        directions: What was asked for in each take.
        fine: There are fine halves; else each coarse one is a number by itself.
        fine_first: The fine half comes before the coarse one.
    """
    moved = []
    for take, direction in zip(takes, directions, strict=True):
        values: list[float] = []
        times: list[float] = []
        coarse = below = -1
        for half in take:
            if half.which == SELECT:
                continue
            if half.which == COARSE:
                coarse = half.value
            else:
                below = half.value
            if not fine or (coarse >= 0 <= below and (half.which == COARSE) == fine_first):
                values.append(coarse << 7 | below if fine else coarse)
                times.append(half.at_s)
        moved.append(Movement(direction, tuple(values), tuple(times)))
    return moved


def absolute_group(
    keys: dict[str, Setting], words: str, moved: Sequence[Movement], *, top: int
) -> Group:
    """What says places 0..``top`` and never clicks, or the two states of a button.

    Args:
        keys: Which message it is.
        words: The same for a person.
        moved: Its numbers.
        top: The highest that it can say.
    """
    values = all_values(moved)
    went = (min(values, default=0.0), max(values, default=0.0))
    distance = went[1] - went[0]
    place = Finding(ABSOLUTE, keys, words, Sure.CERTAIN, went=went, ends=(0, top))
    group = Group([place], weight=len(set(values)) + min(64, len(values)))
    if len(set(values)) == 2 and alternates(moved) and distance > top / 32:
        low, high = min(values), max(values)
        pressed = button(moved, lambda value: value > low)
        plain = low < (top + 1) / 2 <= high
        pressing = Finding(pressed.kind, keys, words, pressed.sure,
                           states=(int(low), int(high)), plain=plain)  # fmt: skip
        group.findings = [pressing, replace(place, sure=Sure.UNSURE)]
        group.ask = pressed.ask
        return group
    if distance <= top / 60:
        group.findings, group.ask = [place.at_most(Sure.UNSURE)], Ask.FARTHER
        group.moves = 0 if distance else 1
    elif distance < top / 2:
        group.findings = [place.at_most(Sure.LIKELY if distance >= top / 8 else Sure.UNSURE)]
        group.ask = None if distance >= top / 8 else Ask.FARTHER
    return group
