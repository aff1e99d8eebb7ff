"""A MIDI board on a JACK server of its own, for a soak; where there is none, why. I/O."""

from __future__ import annotations

import asyncio
import contextlib
import importlib
import os
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from soak_rig import BOARD

INTEROP = Path(__file__).resolve().parents[2] / "tests" / "interop"
"""The tests' JACK server and player."""


class Board:
    """The board.

    Attributes:
        environment: What a process needs in its environment to find it.
    """

    def __init__(self, desk: Any, server: Any) -> None:
        self._desk, self._server = desk, server
        self.environment: dict[str, str] = server.environment()
        self._player = desk.MidiPlayer(BOARD, server)

    def play(self, message: bytes) -> None:
        """Send one message, if it is plugged in."""
        if self._player is not None:
            with contextlib.suppress(OSError, ValueError):
                self._player.play(message)

    async def plug(self, inside: bool) -> None:
        """Plug it in, or out."""
        player, self._player = self._player, None
        if inside:
            self._player = await asyncio.to_thread(self._desk.MidiPlayer, BOARD, self._server)
        elif player is not None:
            await asyncio.to_thread(player.unplug)


@contextlib.contextmanager
def boards() -> Iterator[tuple[Board | None, str]]:
    """A board, or None and why there is none."""
    missing = [name for name in ("jackd", "jack_lsp") if shutil.which(name) is None]
    try:
        if missing:
            raise ImportError(f"{missing[0]} is missing")
        importlib.import_module("rtmidi")
        sys.path.insert(0, str(INTEROP))
        desk = importlib.import_module("jack_desk")
    except ImportError as error:
        yield None, str(error)
        return
    server = next(one for one in map(desk.JackServer, desk.SERVERS) if one.reserve())
    # Not in step: who is killed would stop a server that waits for everybody.
    server.start(in_step=False)
    os.environ.update(server.environment())
    board = Board(desk, server)
    try:
        yield board, ""
    finally:
        asyncio.run(board.plug(False))
        server.stop()
        server.give_back()
