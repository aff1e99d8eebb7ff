"""Map text to a checked ``MapFile``: every fault at once, each with its line. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

from pydantic import ValidationError

from bridge import limits
from bridge.errors import Fault, MapError
from bridge.maps.checks import entry_flaws
from bridge.maps.flaw import Flaw
from bridge.maps.midi_form import Bytes
from bridge.maps.model import Entry, MapFile, Message, OscEntry, OscMessageTable, Word
from bridge.maps.osc_form import compile_message
from bridge.maps.scales import compile_law
from bridge.maps.turn_checks import map_flaws
from bridge.rig.faults import faults_in, first_of, shown
from bridge.rig.toml import Path, read_toml

LARGEST: dict[str, float] = {"i": 2**31 - 1, "f": 3.4028234e38, "h": 2**53, "d": 1e300}
"""Largest number of an OSC type (OSC 1.0, "OSC Type Tag String"); of h what a float holds whole."""

WORD_KEYS = ("range", "off", "on", "pre", "post", "centre", "zero")
TALK_KEYS = ("ask_all", "renew", "probe", "alive")


def parse_map(text: str, where: str) -> MapFile:
    """Check the text of an address map.

    Args:
        text: TOML.
        where: The file's path, for faults.

    Raises:
        MapError: all faults together, each with file, line, key path, found and expected.
    """
    most = limits.MAP_CHARACTERS_MAX
    if len(text) > most:
        raise MapError([Fault(where, f"{len(text)} characters", f"at most {most}")])
    table = read_toml(text, where, MapError)
    try:
        map_file = MapFile.model_validate(table).remember(text, where)
    except ValidationError as problem:
        raise MapError(first_of(faults_in(problem, table, text, where), where)) from None
    faults = [one.fault(map_file, tuple(path)) for path, one in _flaws(map_file)]
    if faults:
        raise MapError(first_of(faults, where))
    return map_file


def _flaws(map_file: MapFile) -> Iterator[tuple[Path, Flaw]]:
    """What the tables say against one another."""
    if bool(map_file.osc) == bool(map_file.midi):
        found = "both" if map_file.osc else "nothing"
        yield (), Flaw("", found, "either [[osc]] or [[midi]] entries")
        return
    for name, law in map_file.law.items():
        try:
            compile_law(law)
        except ValueError as problem:
            yield ("law", name), Flaw("", problem, "a law that rises")
        except Flaw as flaw:
            yield ("law", name), Flaw("", flaw.found, flaw.expected)
    if map_file.map.kind == "controller" and "console" in map_file.model_fields_set:
        yield ("console",), Flaw("", "a table", "no [console] in a controller's map")
    if map_file.map.kind == "console" and map_file.turn:
        yield ("turn", 0), Flaw("", "a table", "no [[turn]] in a console's map")
    else:
        yield from ((("turn", number), one) for number, one in map_flaws(map_file))
    yield from _talk_flaws(map_file)
    for number, entry in enumerate(map_file.entries):
        for one in list(_size_flaws(entry)) or entry_flaws(entry, map_file):
            yield (map_file.language, number), one


def _size_flaws(entry: Entry) -> Iterator[Flaw]:
    """What no message can carry: sending it would fail in the middle of a show."""
    for key in WORD_KEYS:
        said = getattr(entry, key)
        words = said if isinstance(said, list | tuple) else [said]
        yield from _word_flaws(key, words, getattr(entry, "type", ""))
    if isinstance(entry, OscEntry):
        for key, constants in (("before", entry.before), ("after", entry.after)):
            yield from _word_flaws(key, constants)
        yield from _message_flaws("ask", entry.ask)


def _message_flaws(key: str, message: Message | None) -> Iterator[Flaw]:
    if isinstance(message, OscMessageTable):
        yield from _word_flaws(key, message.arguments)


def _word_flaws(key: str, words: Iterable[Word | None], kind: str | None = None) -> Iterator[Flaw]:
    """Words that an OSC type cannot carry; without a type each has its own: i, f or s."""
    longest = limits.ARGUMENT_CHARACTERS_MAX
    for one in words:
        if isinstance(one, str):
            if "\0" in one or len(one) > longest:
                expected = f"a text without zero bytes, {longest} characters at most"
                yield Flaw(key, shown(one), expected)
        elif one is not None:
            own = "i" if isinstance(one, int) else "f"
            largest = LARGEST.get(own if kind is None else kind, LARGEST["h"])
            endless = isinstance(one, float) and not math.isfinite(one)  # `off` may be so
            if (endless and kind is None) or (not endless and abs(one) > largest):
                yield Flaw(key, shown(one), f"a number of at most {largest:g} as it is sent")


def _talk_flaws(map_file: MapFile) -> Iterator[tuple[Path, Flaw]]:
    talk = map_file.console
    for key in TALK_KEYS:
        for message in getattr(talk, key):
            yield from ((("console",), flaw) for flaw in _message_flaws(key, message))
            try:
                if map_file.language == "osc":
                    fields = compile_message(key, message, map_file).fields
                elif isinstance(message, str):
                    fields = Bytes(key, message).fields
                else:
                    raise Flaw(key, "a table", "bytes in hex")
                if fields:
                    raise Flaw(key, f"{{{min(fields)}}}", "a message without fields")
            except Flaw as flaw:
                yield ("console",), flaw
    for key in ("renew", "probe"):
        every_s = getattr(talk, f"{key}_every_s")
        if bool(getattr(talk, key)) != bool(every_s):
            missing = f"{key}_every_s" if not every_s else key
            yield ("console",), Flaw(missing, "nothing", f"{key} and {key}_every_s together")
        if 0.0 < every_s < limits.TALK_EVERY_S_MIN:
            expected = f"0, or {limits.TALK_EVERY_S_MIN:g} s at least"
            yield ("console",), Flaw(f"{key}_every_s", f"{every_s:g}", expected)
