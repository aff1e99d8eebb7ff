"""`foldbridge check`: what a rig reaches, what contradicts itself, what is dangerous. I/O.

Errors are what keeps a bridge from running as declared; warnings are what it would do all the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from bridge.checking import addresses, conflicts, dangers
from bridge.checking.ground import compiled
from bridge.checking.report import Report, report_on
from bridge.daemon import load
from bridge.errors import Fault, MapError, RigError
from bridge.maps.model import MapFile
from bridge.rig.load import load_rig
from bridge.rig.rig import Rig

__all__ = ["Report", "check"]


def check(path: Path) -> Report:
    """Check a rig and its maps without opening a link.

    Args:
        path: The rig file.

    Raises:
        RigError, MapError: what cannot run, all faults of the rig and its maps together.
    """
    try:
        rig, maps = load(path)
    except MapError as error:
        rig = load_rig(path)
        _refuse([*addresses.read(rig)[1], *error.faults])
        raise
    spots, faults = addresses.read(rig)
    faults += _misfits(rig, maps)
    _refuse(faults)
    ground = compiled(rig, maps)
    return report_on(
        ground,
        (
            *conflicts.remarks(ground),
            *addresses.remarks(ground, spots),
            *dangers.remarks(ground),
        ),
    )


def _refuse(faults: list[Fault]) -> None:
    if faults:
        raise RigError(faults)


def _misfits(rig: Rig, maps: Mapping[str, MapFile]) -> Iterator[Fault]:
    """Maps of the wrong kind, or in a language that does not go over the declared road."""
    console = rig.file.console
    roads = [(("console", "map"), console.map, "console", console.midi)] + [
        (("controller", number, "map"), controller.map, "controller", controller.midi)
        for number, controller in enumerate(rig.file.controller)
    ]
    for path, name, kind, midi in roads:
        map_file = maps[name]
        road = "osc" if midi is None else "midi"
        if map_file.map.kind != kind:
            yield Fault(rig.at(path), f"{name!r}, a {map_file.map.kind}'s map", f"a {kind}'s map")
        elif map_file.language != road:
            yield Fault(rig.at(path), f"{name!r}, a map in {map_file.language.upper()}",
                        f"one in {road.upper()}, as the declared link carries")  # fmt: skip
