"""A rig and all that belongs to it, read from its files. I/O."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from bridge.errors import Fault, MapError
from bridge.maps.load import parse_map
from bridge.maps.model import MapFile
from bridge.rig.fits import misfits
from bridge.rig.load import load_rig, read_map
from bridge.rig.rig import Rig

if TYPE_CHECKING:
    from bridge.stage.rings import RingMark


def load(path: Path) -> tuple[Rig, dict[str, MapFile]]:
    """Read a rig and every map that it names, and see that each map suits its place.

    Raises:
        RigError: with every fault of the rig's file.
        MapError: with every fault of its maps.
    """
    rig = load_rig(path)
    names = {rig.file.console.map, *(controller.map for controller in rig.file.controller)}
    maps: dict[str, MapFile] = {}
    faults: list[Fault] = []
    for name in sorted(names):
        try:
            maps[name] = parse_map(*read_map(rig, name))
        except MapError as error:
            faults += error.faults
    faults += misfits(rig, maps)
    if faults:
        raise MapError(faults)
    return rig, maps


def marks_of(rig: Rig) -> tuple[RingMark, ...]:
    """The ring marks of a rig; none where it has no stage, which then loads nothing for it.

    Raises:
        FileError: the file of the marks is there and cannot be used.
    """
    if rig.file.stage is None:
        return ()
    from bridge.soundcheck.marks_file import load_marks

    return load_marks(rig)
