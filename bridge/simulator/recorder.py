"""Writes a recording to a file, buffered and bounded. I/O."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any

from bridge.simulator.recording import Facts, header_of, note, text_of

LINES_BUFFERED = 256
"""Lines kept before they go to the file together: some tens of kilobytes."""
BYTES_MAX = 2_000_000_000
"""Largest recording: eight hours at 700 lines a second."""


class RecordingFile:
    """A recording on disk. When it is full it says so in its last line, and takes no more.

    Attributes:
        full: Whether lines were left out.
        lines: Lines written or buffered, the header included.
    """

    def __init__(
        self, path: Path, facts: Facts, *, at_s: float = 0.0, bytes_max: int = BYTES_MAX
    ) -> None:
        """Begin a recording; a file that was there is replaced.

        Raises:
            OSError: the file cannot be written.
        """
        self._file = path.open("w", encoding="utf-8")
        self._left = bytes_max
        self._buffer: list[str] = []
        self.full, self.lines = False, 0
        self._write(text_of(header_of(facts, at_s)))

    def __call__(self, line: dict[str, Any]) -> None:
        """Take a line."""
        if self.full:
            return
        text = text_of(line)
        if len(text) > self._left:
            self.full = True
            text = text_of(note(line["at"], "cut"))
        self._write(text)

    def _write(self, text: str) -> None:
        self._buffer.append(text)
        self._left -= len(text)
        self.lines += 1
        if len(self._buffer) >= LINES_BUFFERED:
            self.flush()

    def flush(self) -> None:
        """Hand the buffer to the file."""
        self._file.write("".join(self._buffer))
        self._file.flush()
        self._buffer.clear()

    def close(self) -> None:
        """Write what is left and close the file."""
        if not self._file.closed:
            self.flush()
            self._file.close()

    def __enter__(self) -> RecordingFile:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def both(*records: Callable[[dict[str, Any]], None]) -> Callable[[dict[str, Any]], None]:
    """A recorder that hands each line to several: a file and a witness that watches live."""

    def record(line: dict[str, Any]) -> None:
        for one in records:
            one(line)

    return record
