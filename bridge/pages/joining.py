"""Codes to join with, and devices that have joined: what the engineer does about both. I/O."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from typing import Any

import segno

from bridge.pages.access import Codes, Passes
from bridge.pages.client import Client
from bridge.pages.messages import Said
from bridge.rig.rig import ENGINEER, Rig

DRAWING_MAX = 4
"""Codes that wait to be drawn at once: a person who presses faster sees none of them."""


def drawn(address: str) -> list[str]:
    """An address as a QR code, a text of 0 and 1 a row; takes some ms, so not in the loop."""
    matrix = segno.make(address, error="m", micro=False).matrix
    return ["".join("1" if dark else "0" for dark in row) for row in matrix]


class Joining:
    """Codes and tokens, as the engineer's page makes and ends them.

    Args:
        rig: The rig, with `[pages]`.
        passes: Tokens in force.
        codes: Codes that wait.
        clients: Pages that are open.
        ended: Called with the serial of a token that was taken out of force.
    """

    def __init__(
        self,
        rig: Rig,
        passes: Passes,
        codes: Codes,
        *,
        clients: Sequence[Client],
        ended: Callable[[int], None],
    ) -> None:
        assert rig.file.pages is not None, "asked for rigs with pages only"
        self._rig, self._declared = rig, rig.file.pages
        self._passes, self._codes = passes, codes
        self._clients, self._ended = clients, ended
        self._drawing: dict[str, bool] = {}
        self._tasks: set[asyncio.Task[None]] = set()
        self._pen = asyncio.Lock()

    def address(self, base: str) -> str:
        """What a phone calls us by.

        Args:
            base: How the engineer's browser does.
        """
        return self._declared.address or base

    def make_code(self, one: Client, said: Said, now_s: float) -> str:
        """Make a code for a performer; the engineer sees it in letters and as a QR code."""
        performers = self._rig.layout.performers
        if said.number >= len(performers):
            return "there is no such performer"
        if len(self._tasks) >= DRAWING_MAX:
            return "codes are being drawn; wait a moment"
        code = self._codes.make(performers[said.number], now_s)
        self._drawing[code] = False
        task = asyncio.get_running_loop().create_task(
            self._show(one, code, self._rig.person(said.number)), name="code"
        )
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return ""

    async def _show(self, one: Client, code: str, name: str) -> None:
        """Draw a code, after those before it, and show it."""
        address = f"{one.own['base']}/#{code}"
        try:
            async with self._pen:
                rows = await asyncio.to_thread(drawn, address)
        finally:
            used = self._drawing.pop(code)
        one.mine("code", {
            "name": name, "code": code, "address": address, "rows": rows,
            "minutes": self._declared.code_minutes, "used": used,
        })  # fmt: skip

    def used(self, code: str) -> None:
        """A code was used: whoever shows it says so."""
        if code in self._drawing:
            self._drawing[code] = True
        for one in self._clients:
            shown = one.own.get("code")
            if shown is not None and shown["code"] == code:
                one.mine("code", {**shown, "used": True})

    def revoke(self, one: Client, said: Said, now_s: float) -> str:
        """Take a token out of force."""
        if not self._passes.revoke(said.number):
            return "this device is signed out already"
        self._ended(said.number)
        return ""

    async def close(self) -> None:
        """Draw no more: the bridge stops."""
        for task in self._tasks:
            task.cancel()
        if self._tasks:
            await asyncio.wait(self._tasks)

    def devices(self) -> list[dict[str, Any]]:
        """Who has joined, with what."""
        here = [one.serial for one in self._clients]
        names = {name: n for n, name in enumerate(self._rig.layout.performers)}
        return [
            {
                "serial": one.serial, "who": names.get(one.who, ENGINEER),
                "since": round(one.since_unix_s), "until": round(one.until_unix_s),
                "here": here.count(one.serial),
            }
            for one in self._passes.all.values()
        ]  # fmt: skip
