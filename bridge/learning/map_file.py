"""The map file of a controller: read, begun where there is none, and given an entry. I/O."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path

from bridge.errors import Fault, MapError
from bridge.learning.lesson import MapText
from bridge.learning.study import Study
from bridge.learning.writer import NEW_MAP, checked, with_entry
from bridge.maps.load import parse_map
from bridge.maps.model import MapFile
from bridge.rig.fits import misfits
from bridge.rig.load import map_path, read_map, read_text, shown_path
from bridge.rig.rig import Rig
from bridge.soundcheck.marks_file import write_text

BOM = "\ufeff"


def console_map(rig: Rig) -> MapFile:
    """The console's map: what it cannot be told, no control can move.

    Raises:
        MapError: it cannot be read, or is not the console's.
    """
    name = rig.file.console.map
    found = parse_map(*read_map(rig, name))
    _refuse_misfits(rig, {name: found})
    return found


def _refuse_misfits(rig: Rig, maps: Mapping[str, MapFile]) -> None:
    faults = list(misfits(rig, maps))
    if faults:
        raise MapError(faults)


def controller_map(rig: Rig, number: int) -> MapText:
    """The text of a controller's map; one without entries where there is no file yet.

    Raises:
        MapError: it cannot be read, or has faults besides having no entry.
    """
    name = rig.file.controller[number].map
    path = map_path(rig, name)
    if not path.exists() and path.parent.is_dir():
        return MapText(NEW_MAP.format(name=rig.file.controller[number].id), str(path))
    text, where = read_map(rig, name)
    if _has_entries(text):
        _refuse_misfits(rig, {name: parse_map(text, where)})
    return MapText(text, where)


def _has_entries(text: str) -> bool:
    """Whether a map has entries, or faults that hide them; a bare `[map]` is a beginning."""
    try:
        table = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError):
        return True
    return set(table) - {"map", "law", "names"} != set() or "map" not in table


def add_entry(study: Study, map_text: MapText, entry: str) -> str:
    """Put an entry into the file, on top of what somebody else wrote meanwhile.

    Args:
        study: The controller.
        map_text: Its map; has the new text afterwards.
        entry: The entry's text.

    Returns:
        File and line of the entry.

    Raises:
        MapError: the entry contradicts the file as it is now, or it cannot be written; then the
            file is as it was.
    """
    path = Path(map_text.where)
    begun = path.exists()
    old = read_text(path) if begun else map_text.text
    new = with_entry(old, study.language, entry)
    map_file = checked(old, new, map_text.where, study)
    try:
        write_text(path, (BOM if begun and _has_bom(path) else "") + new)
    except (OSError, ValueError) as problem:
        found = f"not written: {getattr(problem, 'strerror', None) or problem}"
        expected = "a file that can be replaced, and room for it"
        raise MapError([Fault(shown_path(path), found, expected)]) from None
    map_text.text = new
    return map_file.at((map_file.language, len(map_file.entries) - 1))


def _has_bom(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(3) == BOM.encode()
