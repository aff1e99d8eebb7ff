"""What the commands say about an error, apart from the line that says where there is more. Pure."""

from __future__ import annotations

import re

MORE = re.compile(r"more: foldbridge explain [a-z0-9-]+( [a-z0-9-]+)*")


def without_more(err: str) -> str:
    """The text without its last line, which must name the entries that say more."""
    lines = err.splitlines(keepends=True)
    assert lines and MORE.fullmatch(lines[-1].rstrip("\n")), err[-400:]
    return "".join(lines[:-1])
