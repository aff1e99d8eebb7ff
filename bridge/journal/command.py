"""The command `foldbridge log`: who asked for what, and what became of it. I/O."""

from __future__ import annotations

import contextlib
import json
import math
import re
import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from bridge import units
from bridge.errors import BridgeError, Fault
from bridge.journal import schema
from bridge.journal.keeper import folder_of
from bridge.mix.gesture import RULES
from bridge.rig.layout import Kind
from bridge.rig.load import load_rig, shown_path

_UNITS_S = {"s": 1.0, "m": 60.0, "h": 3600.0, "d": 86_400.0}
_SINCE = re.compile(r"(\d+(?:\.\d+)?)([smhd])")


class HistoryError(BridgeError):
    """The history cannot be searched; keeps the fault."""

    def __init__(self, fault: Fault) -> None:
        self.fault = fault
        super().__init__(str(fault))


def shown(kind: Kind, value: float) -> str:
    """A value as people read it."""
    if value != value:
        return "no number"
    if kind is Kind.LEVEL:
        return units.text(value)
    if kind in (Kind.SWITCH, Kind.TAP):
        words = ("off", "on") if kind is Kind.SWITCH else ("pre", "post")
        return words[value >= 0.5]
    return f"{value:+.2f}" if kind is Kind.PAN else f"{value:.1f} dB(A)"


def since_s(text: str) -> float:
    """Seconds of a time as people write it: ``90s``, ``15m``, ``2h``, ``3d``.

    Raises:
        HistoryError: it is no such time.
    """
    found = _SINCE.fullmatch(text)
    if found is None:
        raise HistoryError(Fault("--since", repr(text), "a time like 90s, 15m, 2h or 3d"))
    return float(found[1]) * _UNITS_S[found[2]]


def search(
    path: Path,
    *,
    who: str | None = None,
    what: str | None = None,
    since: str | None = None,
    refused: bool = False,
    as_json: bool = False,
) -> int:
    """Print what was asked, oldest first, and what became of it.

    Args:
        path: The rig file.
        who: Only this performer, by id or name; ``engineer`` is one.
        what: Only parameters with this in their name.
        since: Only so far back.
        refused: Only what was limited or refused.
        as_json: One JSON object a line.

    Returns:
        0; also when nothing is found.

    Raises:
        RigError: the rig cannot be read.
        HistoryError: the history cannot be.
    """
    oldest = 0.0 if since is None else time.time() - since_s(since)
    rig = load_rig(path)
    place = folder_of(rig, rig.file.journal) / schema.NAME
    text, values = _question(who, what, oldest, refused=refused)
    with _reading(place) as base:
        for row in base.execute(text, values):
            print(json.dumps(_data(row), allow_nan=False) if as_json else _line(row))
    return 0


@contextlib.contextmanager
def _reading(place: Path) -> Iterator[sqlite3.Connection]:
    """The history, open for reading only, also while a bridge writes to it."""
    where = shown_path(place)
    if not place.exists():
        raise HistoryError(Fault(where, "no history", "one that `foldbridge run` has kept"))
    try:
        with contextlib.closing(
            sqlite3.connect(f"{place.resolve().as_uri()}?mode=ro", uri=True, timeout=2.0)
        ) as base:
            base.row_factory = sqlite3.Row
            (version,) = base.execute("PRAGMA user_version").fetchone()
            if version != schema.SCHEMA:
                raise HistoryError(
                    Fault(where, f"form {version}", f"form {schema.SCHEMA}; `run` renews an older")
                )
            yield base
    except sqlite3.Error as problem:
        raise HistoryError(Fault(where, str(problem), "a history that can be read")) from None


def _question(
    who: str | None, what: str | None, oldest: float, *, refused: bool
) -> tuple[str, list[object]]:
    """The SQL for a search, and its values."""
    parts, values = ["until >= ?"], [oldest]
    asked: list[object] = list(values)
    if who is not None:
        parts.append("(who = ? COLLATE NOCASE OR name = ? COLLATE NOCASE)")
        asked += [who, who]
    if what is not None:
        parts.append("(instr(lower(what), lower(?)) OR instr(lower(label), lower(?)))")
        asked += [what, what]
    if refused:
        parts.append("outcome <> 'taken'")
    return f"SELECT * FROM gesture WHERE {' AND '.join(parts)} ORDER BY at, id", asked


def _line(row: sqlite3.Row) -> str:
    """One row for people."""
    moment = time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(row["at"]))
    kind = Kind(row["kind"])
    wanted, level = (math.nan if each is None else each for each in (row["wanted"], row["level"]))
    often = f" ({row['times']} times)" if row["times"] > 1 else ""
    text = (
        f"{moment} {row['name']} through {row['through']}: {row['label']} "
        f"to {shown(kind, wanted)}{often}: {row['outcome']}"
    )
    if row["outcome"] == "taken":
        return text
    stays = f", stands at {shown(kind, level)}" if row["outcome"] == "limited" else ""
    why = RULES.get(row["rule"], row["rule"]).format(level=shown(kind, level))
    return f"{text}{stays}: {why}"


def _data(row: sqlite3.Row) -> dict[str, Any]:
    """One row for machines: off is null, as everywhere."""
    data = {key: row[key] for key in row.keys() if key != "id"}  # noqa: SIM118 - a row is no dict
    for key in ("wanted", "level"):
        if data[key] is not None and not math.isfinite(data[key]):
            data[key] = None
    return data
