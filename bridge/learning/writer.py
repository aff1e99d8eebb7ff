"""A map's text with one entry more: nothing else changed, nothing contradicted. Pure."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from itertools import zip_longest
from typing import Any, NamedTuple

import tomlkit
from tomlkit.exceptions import TOMLKitError

from bridge.errors import Fault, MapError
from bridge.house import controller_words
from bridge.learning.study import Study
from bridge.maps.book import Book, Line
from bridge.maps.controller import ControllerWords
from bridge.maps.load import parse_map
from bridge.maps.midi_form import MidiForm
from bridge.maps.model import MapFile
from bridge.maps.osc_form import OscForm, Spoken
from bridge.maps.places import ConsoleNames
from bridge.maps.reach import find_conflicts
from bridge.rig.rig import ENGINEER
from bridge.wire import midi_events as events
from bridge.wire.midi_halves import RPN_MSB, SELECTORS

NEW_MAP = """\
[map]
name = "{name}"
kind = "controller"
"""
"""A map that has no entry yet."""


def with_entry(text: str, language: str, entry: str) -> str:
    """A map's text with an entry at its end, in the file's own kind of lines.

    Where the file has its entries as one list of tables, the entry joins the list.

    Args:
        text: The map as it is.
        language: ``osc`` or ``midi``.
        entry: The entry's text, ``[[midi]]`` and its lines.
    """
    line_end = "\r\n" if "\r\n" in text else "\n"
    gap = "" if not text.strip() else line_end if text.endswith("\n") else line_end * 2
    longer = text + gap + entry.replace("\n", line_end)
    try:
        tomllib.loads(longer.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError:
        return _into_list(text, language, entry) or longer
    return longer


def _into_list(text: str, language: str, entry: str) -> str:
    """The entry inside ``midi = [ ... ]``; an empty text where there is no such list."""
    try:
        document = tomlkit.parse(text)
        listed = document.get(language)
        if not isinstance(listed, tomlkit.items.Array):
            return ""
        table = tomlkit.inline_table()
        table.update(tomllib.loads(entry)[language][0])
        listed.append(table)
        return document.as_string()
    except (TOMLKitError, tomllib.TOMLDecodeError):
        return ""


def checked(old: str, new: str, where: str, study: Study) -> MapFile:
    """The new text as a map, if it is the old one with one good entry more.

    Args:
        old: The map's text as it is.
        new: The text with the entry.
        where: The file, for faults.
        study: The controller that it is for.

    Raises:
        MapError: it is no map, it changes what was there, or the entry contradicts another one;
            all of it by name.
    """
    map_file = parse_map(new, where)
    if not _only_added(old, new, study.language):
        found = "more than one entry changed"
        raise MapError([Fault(where, found, "a file whose other lines stay as they are")])
    faults = [fault for number in study.sharing() for fault in _faults(map_file, study, number)]
    if not faults:
        faults = list(_conflicts(old, map_file, where, study))
    if faults:
        raise MapError(list(dict.fromkeys(faults)))
    return map_file


def _only_added(old: str, new: str, language: str) -> bool:
    before: dict[str, Any] = tomllib.loads(old.removeprefix("\ufeff"))
    after: dict[str, Any] = tomllib.loads(new.removeprefix("\ufeff"))
    known = before.pop(language, [])
    entries = after.pop(language, [])
    return before == after and entries[:-1] == known and len(entries) == len(known) + 1


# -- clashes ------------------------------------------------------------------------------------


class _Claim(NamedTuple):
    """What an entry needs of the controller at one place.

    Attributes:
        own: Messages that may mean nothing else.
        shared: Messages that others of its kind use as well: what chooses parameters.
        spoken: The OSC message.
    """

    own: frozenset[tuple[int, int, int]] = frozenset()
    shared: frozenset[tuple[int, int, int]] = frozenset()
    spoken: Spoken | None = None


def _names(study: Study, number: int) -> ConsoleNames | None:
    """The numbers of the buses for the hands at a controller."""
    rig = study.rig
    who = rig.hands(rig.file.controller[number])
    if who == ENGINEER:
        return None
    buses = tuple(rig.layout.buses.index(name) for name in rig.file.performer[who].buses)
    return ConsoleNames.own(rig.layout, buses)


def _faults(map_file: MapFile, study: Study, number: int) -> Iterator[Fault]:
    """Entries that use the same messages as the last one, at one of the controllers."""
    layout = study.rig.layout
    try:
        controller_words(study.rig, number, map_file)
    except MapError as error:
        yield from error.faults
        return
    book = Book(map_file, layout, _names(study, number) or ConsoleNames.counted(layout))
    *others, last = book.lines
    mine = _claims(book, last)
    for line in others:
        if "move" not in (line.entry.use or ["move"]) or _apart(line, last):
            continue
        found = next((_told(a, b) for a in _claims(book, line) for b in mine if _clash(a, b)), "")
        if found:
            where = map_file.at((map_file.language, line.number))
            named = line.entry.label or str(line.entry.parameter or line.entry.action)
            yield Fault(where, f"{found}, which already moves {named!r}",
                        "each message in one entry: take that one out first, or move another "
                        "control")  # fmt: skip


def _apart(one: Line, other: Line) -> bool:
    """Whether two entries never speak at the same time: each in a turn of its own."""
    turns = [getattr(line.entry, "in_turn", None) for line in (one, other)]
    return None not in turns and turns[0] != turns[1]


def _claims(book: Book, line: Line) -> list[_Claim]:
    found = []
    for place in book.walk(line):
        if isinstance(line.form, OscForm):
            found.append(_Claim(spoken=line.form.place(place.names)))
        elif line.form.shape is not None:
            found.append(_midi_claim(line.form, *line.form.numbers(place.names)))
    return found


def _midi_claim(form: MidiForm, channel: int, number: int) -> _Claim:
    """The messages of a MIDI entry, as ``wire.midi_events`` would tell them alone."""
    assert form.shape is not None
    kind = form.shape.kind
    control = events.CONTROL
    if kind == events.CONTROL14:
        return _Claim(frozenset(((control, channel, number), (control, channel, number + 32))))
    if kind in (events.NRPN, events.RPN):
        chosen = [one for one in SELECTORS if (one >= RPN_MSB - 1) == (kind == events.RPN)]
        entered = (events.DATA_MSB, events.DATA_LSB, events.INCREMENT, events.DECREMENT)
        shared = frozenset((control, channel, one) for one in (*chosen, *entered))
        return _Claim(frozenset(((kind, channel, number),)), shared)
    if kind == events.PROGRAM and number < 0:
        return _Claim(frozenset((kind, channel, one) for one in range(128)))
    return _Claim(frozenset(((kind, channel, max(number, 0)),)))


def _clash(one: _Claim, other: _Claim) -> bool:
    if one.spoken is not None and other.spoken is not None:
        return _same(one.spoken, other.spoken)
    return bool(one.own & other.own or one.own & other.shared or one.shared & other.own)


def _same(one: Spoken, other: Spoken) -> bool:
    """Whether one OSC message could mean both."""
    if one.address != other.address or _length(one) != _length(other):
        return False
    return all(a is None or b is None or a == b
               for a, b in zip_longest(_fixed(one), _fixed(other)))  # fmt: skip


def _length(spoken: Spoken) -> int:
    return len(spoken.before) + len(spoken.after) + (spoken.type != "none")


def _fixed(spoken: Spoken) -> list[object]:
    """Each argument as far as it is always the same; None for the value."""
    value = [] if spoken.type == "none" else [None]
    return [*spoken.before, *value, *spoken.after]


def _told(one: _Claim, other: _Claim) -> str:
    if one.spoken is not None:
        return one.spoken.address
    both = one.own & other.own or one.own & other.shared or one.shared & other.own
    kind, channel, number = min(both)
    name = events.KIND_NAMES[kind]
    counted = f" {number}" if kind not in (events.BEND, events.PRESSURE) else ""
    return f"{name}{counted} on MIDI channel {channel}"


def _conflicts(old: str, map_file: MapFile, where: str, study: Study) -> Iterator[Fault]:
    """What contradicts itself now and did not before, as two takeovers of one level."""
    try:
        before: Mapping[str, object] = dict.fromkeys(_told_conflicts(parse_map(old, where), study))
    except MapError:
        before = {}  # no entry yet
    for text in _told_conflicts(map_file, study):
        if text not in before:
            last = (map_file.language, len(map_file.entries) - 1)
            yield Fault(map_file.at(last), text, "one meaning, taken over in one way")


def _told_conflicts(map_file: MapFile, study: Study) -> list[str]:
    words: ControllerWords = controller_words(study.rig, study.number, map_file)
    return find_conflicts(map_file, words, study.rig.layout)
