"""Phones and the engineer's page in real time; they come back whatever happens. I/O."""

from __future__ import annotations

import asyncio
import contextlib
import random
from typing import Any

import aiohttp
from page_hands import Device
from soak_rig import PASSPHRASE, PEOPLE
from soak_tape import Tape

MOVES_S = 0.2, 0.8
"""Time between two moves on a phone."""

AGAIN_S = 0.5
"""Time until a page that was cut off tries again."""

PATIENCE_S = 5.0

LOSSES = (RuntimeError, OSError, aiohttp.ClientError, TimeoutError)
"""What becomes of a page that is cut off, refused, or not answered."""


class Pages:
    """One phone a person, and the engineer's page.

    Args:
        base: Where the pages are.
        near: Everybody's address, the engineer's last.
        tape: Takes the notes of what is asked for.
        draw: Where all that they do comes from.

    Attributes:
        asking: Whether the phones may ask for anything.
        asleep: Phones that take nothing.
        joins: How often somebody was let in.
        opened: How often a page was opened again.
        moves: Levels asked for.
    """

    def __init__(self, base: str, near: tuple[str, ...], tape: Tape, draw: random.Random) -> None:
        self._tape, self._draw = tape, draw
        self._desk = Device(base, near[-1])
        self._phones = [Device(base, address) for address in near[: len(PEOPLE)]]
        self._code = asyncio.Lock()
        self._engineer_is_in = asyncio.Event()
        self.asking = False
        self.asleep: set[int] = set()
        self.joins = self.opened = self.moves = 0

    async def run(self) -> None:
        """Keep all of them open until cancelled."""
        async with asyncio.TaskGroup() as group:
            group.create_task(self._keep(self._desk, self._sign_in, -1))
            for number, phone in enumerate(self._phones):
                group.create_task(self._keep(phone, lambda n=number: self._join(n), number))

    async def _keep(self, page: Device, come_in: Any, number: int) -> None:
        """Open a page whenever it is not."""
        inside = False
        while True:
            with contextlib.suppress(*LOSSES):
                if inside:
                    self.opened += 1
                    inside = False
                    async with asyncio.timeout(PATIENCE_S):
                        await page.open()
                else:
                    async with asyncio.timeout(3.0 * PATIENCE_S):
                        await come_in()
                    self.joins += 1
                inside = True
                await self._play(page, number)
            await asyncio.sleep(AGAIN_S)

    async def _sign_in(self) -> None:
        await self._desk.come_in("/sign-in", {"passphrase": PASSPHRASE})
        while self._desk.values.get("ready") != 1:
            await self._desk.take()
        self._engineer_is_in.set()

    async def _join(self, number: int) -> None:
        """Have the engineer make a code, and come in with it."""
        async with self._code:
            await self._engineer_is_in.wait()
            used = self._desk.values.get("code", {}).get("code", "")
            await self._desk.say("code", number)
            while self._desk.values.get("code", {"code": used})["code"] == used:
                await asyncio.sleep(0.05)  # the engineer's page takes it
            code = self._desk.values["code"]["code"]
        await self._phones[number].come_in("/join", {"code": code})

    async def _play(self, page: Device, number: int) -> None:
        """Take what is told, and move something now and then."""
        hand = asyncio.create_task(self._move(page, number))
        try:
            while True:
                if number in self.asleep:
                    await asyncio.sleep(0.1)
                else:
                    await page.take()
        finally:
            hand.cancel()

    async def _move(self, page: Device, number: int) -> None:
        draw = self._draw
        while number >= 0:
            await asyncio.sleep(draw.uniform(*MOVES_S))
            if not (self.asking and page.plan) or number in self.asleep:
                continue
            send = draw.choice(page.plan["buses"][0]["sends"])
            self._tape.note("person")
            self.moves += 1
            with contextlib.suppress(*LOSSES):
                await page.say("set", int(send["slot"]), round(draw.uniform(-45.0, 3.0), 1))

    async def close(self) -> None:
        """Close all of them."""
        for page in (self._desk, *self._phones):
            await page.close()
