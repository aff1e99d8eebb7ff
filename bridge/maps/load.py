"""Map text to a checked ``MapFile``: every fault at once, each with its line. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from pydantic import ValidationError

from bridge.errors import Fault, MapError
from bridge.maps.checks import entry_flaws
from bridge.maps.flaw import Flaw
from bridge.maps.midi_form import Bytes
from bridge.maps.model import MAP_BYTES_MAX, MapFile
from bridge.maps.osc_form import compile_message
from bridge.maps.scales import compile_law
from bridge.rig.toml import Path, place, read_toml

TALK_KEYS = ("ask_all", "renew", "probe", "alive")


def parse_map(text: str, where: str) -> MapFile:
    """Check the text of an address map.

    Args:
        text: TOML.
        where: The file's path, for faults.

    Raises:
        MapError: all faults together, each with file, line, key path, found and expected.
    """
    if len(text) > MAP_BYTES_MAX:
        raise MapError([Fault(where, f"{len(text)} characters", f"at most {MAP_BYTES_MAX}")])
    table = read_toml(text, where, MapError)
    try:
        map_file = MapFile.model_validate(table).remember(text, where)
    except ValidationError as problem:
        raise MapError(_pydantic_faults(problem, table, text, where)) from None
    faults = [one.fault(map_file, tuple(path)) for path, one in _flaws(map_file)]
    if faults:
        raise MapError(faults)
    return map_file


def _pydantic_faults(
    problem: ValidationError, table: Mapping[str, Any], text: str, where: str
) -> list[Fault]:
    """One fault a place; of the several readings of a value each says what it expects."""
    faults: dict[str, Fault] = {}
    for error in problem.errors():
        path = _real_path(error["loc"], table)
        at = place(text, where, path)
        found = "nothing" if error["type"] == "missing" else repr(error["input"])[:60]
        expected = {"missing": "this key", "extra_forbidden": "no such key"}.get(
            error["type"], error["msg"].removeprefix("Input should be ")
        )
        before = faults.get(at)
        if before is not None:
            expected = f"{before.expected}, or {expected}"
            found = before.found
        faults[at] = Fault(at, found, expected)
    return list(faults.values())


def _real_path(loc: Sequence[str | int], table: Any) -> Path:
    """The part of pydantic's location that stands in the file, with a last key that is missing."""
    path: list[str | int] = []
    for number, key in enumerate(loc):
        fits = isinstance(key, int) and isinstance(table, list) and key < len(table)
        if fits or (isinstance(table, Mapping) and key in table):
            table = table[key]
            path.append(key)
        elif number == len(loc) - 1 and isinstance(table, Mapping):
            path.append(key)
    return path


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
    yield from _talk_flaws(map_file)
    for number, entry in enumerate(map_file.entries):
        for one in entry_flaws(entry, map_file):
            yield (map_file.language, number), one


def _talk_flaws(map_file: MapFile) -> Iterator[tuple[Path, Flaw]]:
    talk = map_file.console
    for key in TALK_KEYS:
        for message in getattr(talk, key):
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
