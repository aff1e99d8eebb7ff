"""Sixty pages that are all moved at once, and how soon each shows what was done. I/O.

usage: page_hands.py BASE PASSPHRASE PERFORMERS DEVICES SECONDS RESULT_FILE

A process of its own, so that it takes no time from the bridge's loop. Every performer has some
devices, each joined by a code of its own from an address of its own; each device moves one send of
the own mix, waits until the page shows it on that device, on the performer's next one and on the
engineer's page, and moves it on a moment later. Writes JSON: the seconds from each wish until each
of the three showed it.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import random
import sys
import time
from pathlib import Path
from typing import Any

import aiohttp

GAP_S = 0.1, 0.3
"""Rest after a move was seen everywhere: a hand on a button, a hand on a bar."""

LOST_S = 2.0
"""What is not seen by then counts as lost."""

LOW_DB, STEPS = -45.0, 300
"""Levels asked for: from here up in tenths of a dB, each one another than the one before."""

OWN, NEXT, DESK = range(3)


class Move:
    """A wish on its way: where it was seen, and how soon."""

    def __init__(self, level_db: float) -> None:
        self.level_db, self.began_s = level_db, time.perf_counter()
        self.seen_s: list[float | None] = [None, None, None]
        self.everywhere = asyncio.Event()

    def seen(self, where: int) -> None:
        """Somebody's page shows it."""
        if self.seen_s[where] is None:
            self.seen_s[where] = time.perf_counter() - self.began_s
            if None not in self.seen_s:
                self.everywhere.set()


class Device:
    """A phone or the engineer's laptop, with cookies of its own.

    Args:
        base: Address of the bridge's pages.
        address: Its own.

    Attributes:
        plan: What stays as it is.
        values: The latest values.
        frames: How many messages came.
    """

    def __init__(self, base: str, address: str) -> None:
        self._base = base
        self._session = aiohttp.ClientSession(
            cookie_jar=aiohttp.CookieJar(unsafe=True),
            connector=aiohttp.TCPConnector(local_addr=(address, 0)),
            headers={"Origin": base},
        )
        self.plan: dict[str, Any] = {}
        self.values: dict[str, Any] = {}
        self.frames = 0

    async def come_in(self, door: str, data: dict[str, str]) -> None:
        """Join or sign in, and open the page.

        Raises:
            RuntimeError: it is refused.
        """
        async with self._session.post(self._base + door, json=data) as answer:
            if answer.status != 200:
                raise RuntimeError(f"{door}: {answer.status} {await answer.text()}")
            self._page = (await answer.json())["go"]
        await self.open()

    async def open(self) -> None:
        """Open the page, as one who was let in before."""
        self.values.clear()
        self._ws = await self._session.ws_connect(f"{self._base}/talk{self._page}", max_msg_size=0)

    async def say(self, *words: Any) -> None:
        """Say something to the bridge."""
        await self._ws.send_str(json.dumps(words))

    async def take(self) -> dict[str, Any]:
        """Take one message: what is new in it."""
        message = await self._ws.receive()
        if message.type is not aiohttp.WSMsgType.TEXT:
            raise RuntimeError(f"the bridge closed a page: {self._ws.close_code}")
        data = json.loads(message.data)
        self.frames += 1
        self.plan = data.get("plan", self.plan)
        fresh: dict[str, Any] = data.get("new", {})
        self.values.update(fresh)
        return fresh

    async def close(self) -> None:
        """Close the page."""
        await self._session.close()


def _address(number: int) -> str:
    """An address of this machine for each device."""
    return f"127.0.{1 + number // 200}.{1 + number % 200}"


class Crowd:
    """All devices.

    Args:
        base: Address of the bridge's pages.
        performers: How many people.
        devices: How many devices each of them has.

    Attributes:
        done: Finished moves.
        lost: Moves that somebody's page never showed.
    """

    def __init__(self, base: str, performers: int, devices: int) -> None:
        self._base, self._each = base, devices
        self._performers = performers
        self.desk = Device(base, _address(0))
        self.phones = [Device(base, _address(1 + n)) for n in range(performers * devices)]
        self._moves: dict[str, Move] = {}
        self._slots: list[str] = []
        self.done: list[Move] = []
        self.lost = 0

    async def come_in(self, passphrase: str) -> None:
        """Sign the engineer in, and let everybody join with a code of the engineer's page."""
        await self.desk.come_in("/sign-in", {"passphrase": passphrase})
        while "ready" not in self.desk.values or self.desk.values["ready"] != 1:
            await self.desk.take()
        used = ""
        for number, phone in enumerate(self.phones):
            performer = number // self._each
            await self.desk.say("code", performer)
            while self.desk.values.get("code", {"code": used})["code"] == used:
                await self.desk.take()
            used = self.desk.values["code"]["code"]
            await phone.come_in("/join", {"code": used})
            while "ready" not in phone.values:
                await phone.take()
            sends = phone.plan["buses"][0]["sends"]
            self._slots.append(str(sends[number % self._each]["slot"]))

    async def play(self, seconds: float) -> None:
        """Move everything for so long."""
        tasks = [asyncio.create_task(self._look(self.desk, -1))]
        tasks += [asyncio.create_task(self._look(one, n)) for n, one in enumerate(self.phones)]
        hands = [asyncio.create_task(self._hand(n)) for n in range(len(self.phones))]
        ended, _ = await asyncio.wait(
            [*tasks, *hands], timeout=seconds, return_when=asyncio.FIRST_COMPLETED
        )
        for task in [*tasks, *hands]:
            task.cancel()
        for task in ended:
            task.result()

    async def _look(self, device: Device, number: int) -> None:
        """Take what a page is told, and note which moves it shows."""
        while True:
            for key, row in (await device.take()).items():
                move = self._moves.get(key)
                if move is not None and isinstance(row, list) and row[0] == move.level_db:
                    self._note(move, number, self._slots.index(key))

    def _note(self, move: Move, looks: int, moves: int) -> None:
        first = moves - moves % self._each
        beside = first + (moves + 1 - first) % self._each
        if looks < 0:
            move.seen(DESK)
        elif looks == moves:
            move.seen(OWN)
        if looks == beside:
            move.seen(NEXT)

    async def _hand(self, number: int) -> None:
        """One hand: moves, looks, rests."""
        chance, slot, phone = random.Random(number), self._slots[number], self.phones[number]
        step = number
        while True:
            await asyncio.sleep(chance.uniform(*GAP_S))
            step = (step + 37) % STEPS
            level_db = round(LOW_DB + step / 10.0, 1)
            move = self._moves[slot] = Move(level_db)
            await phone.say("set", int(slot), level_db)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(LOST_S):
                    await move.everywhere.wait()
            self.lost += not move.everywhere.is_set()
            self.done.append(move)


async def main(words: list[str]) -> None:
    """Come in, say "ready", play, write what was seen."""
    base, passphrase, performers, devices, seconds, result = words
    crowd = Crowd(base, int(performers), int(devices))
    await crowd.come_in(passphrase)
    print("ready", flush=True)
    used_s = time.process_time()
    await crowd.play(float(seconds))
    told = {
        "seen_s": [move.seen_s for move in crowd.done], "lost": crowd.lost,
        "frames": sum(one.frames for one in [crowd.desk, *crowd.phones]),
        "cpu_s": time.process_time() - used_s,
    }  # fmt: skip
    Path(result).write_text(json.dumps(told), encoding="utf-8")
    for device in [crowd.desk, *crowd.phones]:
        await device.close()


if __name__ == "__main__":
    asyncio.run(main(sys.argv[1:]))
