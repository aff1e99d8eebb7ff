"""The file of what happened: its tables, and how an older one becomes a new one. I/O."""

from __future__ import annotations

import contextlib
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path

NAME = "history.sqlite"
SCHEMA = 2
"""Kept as the file's ``user_version`` (SQLite, "PRAGMA user_version")."""

_FIRST = """
CREATE TABLE gesture (
    id INTEGER PRIMARY KEY, at REAL NOT NULL, until REAL NOT NULL, through TEXT NOT NULL,
    who TEXT NOT NULL, name TEXT NOT NULL, what TEXT NOT NULL, label TEXT NOT NULL,
    kind TEXT NOT NULL, outcome TEXT NOT NULL, rule TEXT NOT NULL,
    wanted REAL, level REAL) STRICT;
CREATE INDEX gesture_at ON gesture (at);
"""
_SECOND = """
ALTER TABLE gesture ADD COLUMN times INTEGER NOT NULL DEFAULT 1;
CREATE TABLE event (
    id INTEGER PRIMARY KEY, at REAL NOT NULL, what TEXT NOT NULL, text TEXT NOT NULL) STRICT;
"""
MIGRATIONS: tuple[str, ...] = (_FIRST, _SECOND)
"""Each turns a file of the number that is its place here into the next one."""


class Newer(Exception):
    """The file was written by a newer version of this program."""


def opened(folder: Path, said: Callable[[str], None]) -> sqlite3.Connection:
    """The file, ready to be written: made when it is missing, brought up to date when it is older.

    A damaged one is set aside under another name and a new one begun.

    Args:
        folder: Where it lies; made when it is missing.
        said: Hears of what a person should know.

    Raises:
        Newer: it is not touched.
        OSError, sqlite3.Error: it cannot be used now.
    """
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / NAME
    try:
        return _ready(path)
    except sqlite3.DatabaseError as problem:
        if isinstance(problem, sqlite3.OperationalError) or not path.exists():
            raise
        aside = path.with_name(f"{NAME}.damaged-{time.strftime('%Y%m%dT%H%M%S')}")
        path.rename(aside)
        for more in ("-wal", "-shm"):
            with contextlib.suppress(FileNotFoundError):
                path.with_name(NAME + more).rename(aside.with_name(aside.name + more))
        said(f"{path} is damaged ({problem}): set aside as {aside.name}, and a new one is begun")
        return _ready(path)


def _ready(path: Path) -> sqlite3.Connection:
    base = sqlite3.connect(path, timeout=1.0, isolation_level=None, check_same_thread=False)
    try:
        (version,) = base.execute("PRAGMA user_version").fetchone()
        if version > SCHEMA:
            raise Newer(f"{path} has form {version}, and this version knows {SCHEMA}: left alone")
        base.execute("PRAGMA journal_mode = WAL")
        base.execute("PRAGMA synchronous = FULL")
        if base.execute("PRAGMA quick_check(1)").fetchone() != ("ok",):
            raise sqlite3.DatabaseError("its pages do not fit together")
        for number in range(version, SCHEMA):
            migrate(base, number)
        base.execute("SELECT id, times FROM gesture LIMIT 1")
        base.execute("SELECT id FROM event LIMIT 1")
    except sqlite3.OperationalError as problem:
        base.close()
        if "no such" in str(problem):  # its number says that a table is there which is not
            raise sqlite3.DatabaseError(str(problem)) from None
        raise
    except BaseException:
        base.close()
        raise
    return base


def migrate(base: sqlite3.Connection, number: int) -> None:
    """Turn a file of one number into the next one, as a whole or not at all."""
    try:
        base.executescript(
            f"BEGIN IMMEDIATE;{MIGRATIONS[number]}PRAGMA user_version = {number + 1};COMMIT;"
        )
    except sqlite3.Error:
        with contextlib.suppress(sqlite3.Error):
            base.execute("ROLLBACK")
        raise
