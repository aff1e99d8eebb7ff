"""`foldbridge check`: what a rig reaches, what contradicts itself, what is dangerous. I/O.

Errors are what keeps a bridge from running as declared; warnings are what it would do all the same.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from bridge.checking import addresses, conflicts, dangers
from bridge.checking.ground import Ground, Remark, compiled
from bridge.checking.report import Report, report_on
from bridge.errors import Fault, MapError, RigError
from bridge.loading import load, marks_of
from bridge.rig.load import load_rig

__all__ = ["Report", "check"]


def check(path: Path) -> Report:
    """Check a rig and its maps without opening a link.

    Args:
        path: The rig file.

    Raises:
        RigError, MapError: what cannot run, all faults of the rig and its maps together.
        FileError: the file of its ring marks is there and cannot be used.
    """
    try:
        rig, maps = load(path)
    except MapError as error:
        rig = load_rig(path)
        _refuse([*addresses.read(rig)[1], *error.faults])
        raise
    spots, faults = addresses.read(rig)
    _refuse(faults)
    ground = compiled(rig, maps)
    remarks = (
        *conflicts.remarks(ground),
        *addresses.remarks(ground, spots),
        *dangers.remarks(ground),
    )
    return report_on(ground, remarks) if rig.file.stage is None else _on_stage(ground, remarks)


def _on_stage(ground: Ground, remarks: Iterable[Remark]) -> Report:
    """The report on a rig with a stage; only such a rig waits for numpy to be loaded."""
    from bridge.checking import couplings, staging

    air = couplings.air(ground, marks_of(ground.rig))
    warnings = (*remarks, *staging.remarks(ground, air))
    return report_on(ground, warnings, staging.notes(ground, air), stage=air)


def _refuse(faults: list[Fault]) -> None:
    if faults:
        raise RigError(faults)
