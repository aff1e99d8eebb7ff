"""Tokens on disk, so that a phone stays in when the bridge restarts. I/O.

The file holds digests only. Where it is damaged everybody joins again: nothing is let in by a
guess. It stands beside the rig and only its owner reads it.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import re
import tempfile
from pathlib import Path

from bridge.errors import Fault, FileError
from bridge.pages.access import TOKENS_MAX, Pass

BYTES_MAX = 200_000
"""Largest file of tokens; the most tokens take a third of it."""

_DIGEST = re.compile(r"[0-9a-f]{64}")


def path_of(rig_path: str) -> Path:
    """Where the tokens of a rig are kept: ``demo.toml`` has ``demo.tokens.json`` beside it."""
    return Path(rig_path).with_suffix(".tokens.json")


def read(path: Path, who_is_there: frozenset[str]) -> tuple[Pass, ...]:
    """The tokens that were kept; none where there is no file.

    Args:
        path: The file.
        who_is_there: Ids of the people of the rig; tokens of others are left out.

    Raises:
        FileError: it is there and cannot be used.
    """
    try:
        with path.open("rb") as file:
            data = file.read(BYTES_MAX + 1)
    except FileNotFoundError:
        return ()
    except (OSError, ValueError) as problem:
        found = getattr(problem, "strerror", None) or "a name that no file has"
        raise FileError([Fault(str(path), found, "a readable file, or none")]) from None
    passes = _passes(data)
    if passes is None:
        raise FileError([Fault(str(path), "something else", "tokens as the bridge wrote them")])
    return tuple(one for one in passes if one.who in who_is_there)


def _passes(data: bytes) -> list[Pass] | None:
    """What the bytes say; None when they were not written by us."""
    try:
        rows = json.loads(data)["tokens"]
        passes = [_pass(row) for row in rows]
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    serials = {one.serial for one in passes}
    return passes if len(serials) == len(passes) <= TOKENS_MAX else None


def _pass(row: object) -> Pass:
    """One token of the file.

    Raises:
        ValueError, TypeError: it is none.
    """
    if not isinstance(row, list) or len(row) != 5:
        raise TypeError("five values a token")
    serial, who, digest, since, until = row
    if type(serial) is not int or not 0 < serial < 2**53 or not isinstance(who, str):
        raise ValueError("a serial and a person")
    if not isinstance(digest, str) or not _DIGEST.fullmatch(digest):
        raise ValueError("a digest")
    if not all(type(at) in (int, float) and math.isfinite(at) for at in (since, until)):
        raise ValueError("two times")
    return Pass(serial, who, digest, float(since), float(until))


def write(path: Path, passes: tuple[Pass, ...]) -> None:
    """Keep the tokens: whoever reads, and a power cut, sees the old file or the new one.

    Raises:
        OSError: it cannot be written; the file is as it was.
    """
    rows = [[p.serial, p.who, p.digest, p.since_unix_s, p.until_unix_s] for p in passes]
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")  # 0600
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            json.dump({"tokens": rows}, file)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
        raise
