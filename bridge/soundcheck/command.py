"""The command `foldbridge soundcheck`: a run, the list, a withdrawal. I/O."""

from __future__ import annotations

import asyncio
import json
from functools import partial
from pathlib import Path

from bridge.errors import Fault
from bridge.guard.lock import only_one
from bridge.rig.faults import shown
from bridge.rig.load import load_rig
from bridge.rig.rig import Rig
from bridge.soundcheck import listing
from bridge.soundcheck.marks import MarksError, withdrawn
from bridge.soundcheck.marks_file import change_marks, read_marks
from bridge.soundcheck.plan import pairs_of

OK, WARNED = 0, 1


def soundcheck(
    path: Path,
    *,
    show: bool = False,
    as_json: bool = False,
    withdraw: str | None = None,
    fresh: bool = False,
    by: str | None = None,
) -> int:
    """Run a soundcheck, or only look at its marks.

    Args:
        path: The rig file.
        show: Print marks and suggestions; nothing runs.
        as_json: The same for machines.
        withdraw: ``CHANNEL/BUS`` whose mark goes out of force; nothing runs.
        fresh: Test again what has been tested.
        by: Who listens; the engineer's name when None.

    Returns:
        0 all well; 1 something could not be stored, or the console did not confirm the end.

    Raises:
        RigError, MapError, LinkError, MarksError, RunsAlreadyError: it cannot be done.
    """
    if withdraw is None and not (show or as_json):
        from bridge.soundcheck import terminal

        with only_one(path):
            return OK if asyncio.run(terminal.run(path, by=by, fresh=fresh)) else WARNED
    rig = load_rig(path)
    if withdraw is not None:
        change_marks(rig, partial(withdrawn, pair=_pair(withdraw)))
        if not (show or as_json):
            print(f"{withdraw}: its newest mark is out of force; it stays in the file")
            return OK
    _print(rig, as_json=as_json)
    return OK


def _print(rig: Rig, *, as_json: bool) -> None:
    book, pairs = read_marks(rig), pairs_of(rig)
    if as_json:
        print(json.dumps(listing.listed(book, rig, pairs), indent=2))
        return
    for line in listing.lines(book, rig, pairs):
        print(line)


def _pair(text: str) -> tuple[str, str]:
    channel, slash, bus = text.partition("/")
    if not (channel and slash and bus):
        raise MarksError([Fault("--withdraw", shown(text), "CHANNEL/BUS, as voice/kit")])
    return channel, bus
