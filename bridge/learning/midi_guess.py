"""MIDI that was heard, grouped into controls, and what each can be. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from bridge.learning.finding import (
    ABSOLUTE,
    LATCHING,
    MOMENTARY,
    MOVING,
    PRESS,
    RELATIVE,
    STEADY,
    TREMBLING,
    Ask,
    Finding,
    Group,
    Movement,
    Setting,
    Sure,
    all_values,
    movements,
)
from bridge.learning.halves import COARSE, FINE, judge, merged
from bridge.learning.parameters import (
    PARAMETER_CONTROLS,
    absolute_group,
    chooses,
    numbers,
    parameter_groups,
)
from bridge.learning.presses import button
from bridge.learning.turning import Reading, read_turning
from bridge.learning.watch import JITTER, MidiKey, Take, Trace
from bridge.wire import midi_events as events

MODE_CONTROLS = range(120, 128)
"""Channel mode messages, which are no controls (MIDI 1.0 Detailed Specification 4.2, "Channel Mode
Messages")."""


def midi_groups(takes: Sequence[Take]) -> tuple[list[Group], list[str]]:
    """What was moved, as far as it can be said, and what cannot be a control.

    Args:
        takes: All takes.
    """
    keys = list(dict.fromkeys(key for take in takes for key in take.traces
                              if isinstance(key, tuple)))  # fmt: skip
    groups: list[Group] = []
    notes: list[str] = []
    controls = _controls(takes, keys, groups)
    paired = _pairs(takes, controls, groups)
    for key in keys:
        if key[0] == events.CONTROL and (key not in controls or key in paired):
            continue
        if key[0] == events.POLY_PRESSURE:
            notes.append(f"pressure of note {key[2]} on MIDI channel {key[1]}: no map can use it")
        elif key[0] == events.CONTROL and key[2] in MODE_CONTROLS:
            notes.append(f"channel mode message {key[2]}: no control")
        else:
            groups.append(_single(takes, key))
    return groups, notes


def _controls(
    takes: Sequence[Take], keys: Iterable[MidiKey], groups: list[Group]
) -> dict[MidiKey, None]:
    """Controllers that are not taken by the parameters of their MIDI channel, which are added."""
    controls = {key: None for key in keys if key[0] == events.CONTROL}
    for channel in dict.fromkeys(key[1] for key in controls):
        if chooses(takes, channel):
            found = parameter_groups(takes, channel)
            groups += found
            for control in PARAMETER_CONTROLS if found else ():
                controls.pop((events.CONTROL, channel, control), None)
    return controls


def _pairs(takes: Sequence[Take], controls: Iterable[MidiKey], groups: list[Group]) -> set[MidiKey]:
    """Keys that are halves of one value, or may be; their groups are added."""
    known, paired = set(controls), set()
    for key in list(controls):
        other = (key[0], key[1], key[2] + 32)
        if key[2] < 32 and other in known:
            paired |= {key, other}
            groups.append(_pair(takes, key, other))
    return paired


def _traces(takes: Sequence[Take], key: MidiKey) -> list[Trace | None]:
    return [take.traces.get(key) for take in takes]


def _pair(takes: Sequence[Take], coarse: MidiKey, fine: MidiKey) -> Group:
    """Two controllers 32 apart: one control of 14 bits, or two."""
    both = zip(_traces(takes, coarse), _traces(takes, fine), strict=True)
    told = [merged(**{COARSE: a.samples if a else (), FINE: b.samples if b else ()})
            for a, b in both]  # fmt: skip
    verdict = judge(told)
    channel, number = coarse[1:]
    keys: dict[str, Setting] = {
        "message": "control change 14",
        "midi_channel": channel,
        "number": number,
    }
    words = f"controllers {number} and {number + 32} on MIDI channel {channel}, 14 bit"
    if verdict.fine_first:
        keys["lsb_first"] = True
        words += ", fine half first"
    directions = [take.direction for take in takes]
    moved = numbers(told, directions, fine=True, fine_first=verdict.fine_first)
    whole = absolute_group(keys, words, moved, top=16383)
    singles = [_single(takes, key) for key in (coarse, fine)]
    parts = [finding for group in singles for finding in group.findings[:1]]
    notes = (*((verdict.note,) if verdict.note else ()), *_entry_notes(number))
    if verdict.together:
        sure = verdict.sure
        first = [one.at_most(sure, *notes) for one in whole.findings]
        whole.findings = [*first, *(one.at_most(Sure.UNSURE) for one in parts)]
        whole.ask = whole.ask or (Ask.FARTHER if sure is Sure.UNSURE else None)
        whole.weight = max(whole.weight, *(one.weight for one in singles))
        return whole
    lead = max(singles, key=lambda one: (one.moves, one.weight))
    rest = [one for one in parts if one is not lead.findings[0]]
    seconds = [*rest, *whole.findings[:1]]
    lead.findings = [
        *(one.at_most(verdict.sure, *notes) for one in lead.findings),
        *(one.at_most(Sure.UNSURE) for one in seconds),
    ]
    if verdict.sure is Sure.UNSURE:
        lead.ask = lead.ask or Ask.FARTHER
    return lead


def _single(takes: Sequence[Take], key: MidiKey) -> Group:
    """One key by itself."""
    kind, channel, number = key
    moved = movements(takes, _traces(takes, key))
    if kind == events.CONTROL:
        return _controller(channel, number, moved)
    if kind == events.NOTE:
        return _note(channel, number, moved)
    if kind == events.PROGRAM:
        return _program(channel, number, moved)
    keys: dict[str, Setting] = {"midi_channel": channel}
    if kind == events.BEND:
        keys = {"message": "pitch bend", **keys}
        return absolute_group(keys, f"pitch bend on MIDI channel {channel}", moved, top=16383)
    keys = {"message": "channel pressure", **keys}
    return absolute_group(keys, f"channel pressure on MIDI channel {channel}", moved, top=127)


def _controller(channel: int, number: int, moved: Sequence[Movement]) -> Group:
    keys: dict[str, Setting] = {
        "message": "control change",
        "midi_channel": channel,
        "number": number,
    }
    words = f"controller {number} on MIDI channel {channel}"
    readings, ask = read_turning(moved)
    values = all_values(moved)
    low, high = min(values), max(values)
    findings = [_as_finding(one, keys, words, (low, high)) for one in readings]
    notes = _entry_notes(number)
    findings = [replace(one, notes=(*one.notes, *notes)) for one in findings]
    moves = STEADY if low == high else MOVING
    if 0 < high - low <= JITTER and readings[0].kind != RELATIVE:
        moves = TREMBLING
    return Group(findings, ask, moves, len(set(values)) + min(64, len(values)))


def _entry_notes(number: int) -> tuple[str, ...]:
    if number not in PARAMETER_CONTROLS:
        return ()
    return (
        f"controller {number} serves NRPN and RPN too: if the device chose one before the lesson, "
        "switch it off and on and say `again`",
    )


def _as_finding(
    reading: Reading, keys: dict[str, Setting], words: str, ends: tuple[float, float]
) -> Finding:
    """A reading of a controller's numbers as a finding."""
    low, high = int(ends[0]), int(ends[1])
    if reading.kind == RELATIVE:
        way = ", counting backwards" if reading.backwards else ""
        own: dict[str, Setting] = {**keys, "action": RELATIVE, "relative": reading.coding}
        return Finding(RELATIVE, own, f"{words}, {reading.coding}{way}", reading.sure,
                       backwards=reading.backwards)  # fmt: skip
    if reading.kind == ABSOLUTE:
        return Finding(ABSOLUTE, keys, f"{words}, 7 bit", reading.sure,
                       went=(low, high), ends=(0, 127))  # fmt: skip
    if low == high:
        low = 0 if high else 1  # any other number does for what is never said
    plain = low < 64 <= high
    return Finding(reading.kind, keys, words, reading.sure, states=(low, high), plain=plain)


def _note(channel: int, number: int, moved: Sequence[Movement]) -> Group:
    keys: dict[str, Setting] = {"message": "note", "midi_channel": channel, "number": number}
    words = f"note {number} on MIDI channel {channel}"
    pressed = button(moved, lambda value: value > 0)
    values = all_values(moved)
    kinds = [pressed.kind]
    if pressed.sure is not Sure.CERTAIN:
        kinds += [one for one in (MOMENTARY, LATCHING) if one != pressed.kind]
    findings = [
        Finding(kind, keys, words, pressed.sure if not n else Sure.UNSURE)
        for n, kind in enumerate(kinds)
    ]
    return Group(findings, pressed.ask, MOVING, len(set(values)) + min(64, len(values)))


def _program(channel: int, number: int, moved: Sequence[Movement]) -> Group:
    keys: dict[str, Setting] = {
        "message": "program change",
        "midi_channel": channel,
        "number": number,
    }
    words = f"program change {number} on MIDI channel {channel}"
    count = len(all_values(moved))
    return Group([Finding(PRESS, keys, words, Sure.CERTAIN)], None, MOVING, count + 1)
