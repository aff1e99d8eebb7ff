"""What a running bridge shows of itself: a picture as plain data, a line at a time. I/O."""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
from collections.abc import AsyncIterator, Callable, Sequence
from typing import Any

from bridge import units
from bridge.errors import LinkError
from bridge.house import House
from bridge.links.address import SocketAddress, parse_address
from bridge.links.base import Link
from bridge.mix.gesture import OUTCOMES, explain

PERIOD_S = 0.4
"""Time between two pictures: people read no faster."""

WATCHERS_MAX = 8
"""Watchers at once."""

TAKEN_S = 10.0
"""A watcher that has not taken a picture within this time sleeps, and gives its place up."""

LINE_BYTES_MAX = 4_000_000
"""Longest picture: 512 channels in 128 buses."""

VERDICTS_SHOWN = 8


def _level(level_db: float) -> float | None:
    """A level for JSON, which has no infinities: off is null."""
    return None if level_db != level_db or level_db < units.FLOOR_DB else round(level_db, 2)


def picture(house: House, links: Sequence[Link], now_s: float) -> dict[str, object]:
    """All there is to see of a house, in plain data.

    Levels are dB, null is off. A bus carries its state, its sends, each with what it was asked and
    told, its ceiling and the rule behind it.
    """
    rig, m, heard = house.rig, house.engine.matrix, house.console.words
    ceilings = _Ceilings(house)
    buses = []
    for b, bus in enumerate(rig.file.bus):
        master = m.master + b
        ceiling, rule = ceilings.of(master)
        sends = [_send(house, ceilings, slot) for slot in m.sends_of_bus(b)]
        buses.append({
            "id": bus.id, "label": rig.bus_label(b), "state": house.engine.buses.state(b),
            "asked": _level(m.asked[master]), "told": _level(m.told[master]),
            "ceiling": _level(ceiling), "rule": rule, "sends": sends,
        })  # fmt: skip
    return {
        "rig": rig.file.rig.name,
        "console": house.console.state,
        "unanswered": len(house.console.unanswered()),
        "channels": [rig.channel_label(c) for c in range(m.channels)],
        "buses": buses,
        "links": [
            {"name": link.name, "state": link.state, "received": link.received,
             "sent": link.sent, "dropped": link.dropped, "refused": link.refused}
            for link in links
        ],
        "verdicts": [
            f"{name}: {explain(verdict, rig)}"
            for _, name, verdict in list(house.controllers.verdicts)[-VERDICTS_SHOWN:]
        ],
        "counts": dict(zip(OUTCOMES, house.controllers.counts, strict=True)),
        "unknown": {one.name: [one.words.unknown, one.words.last_unknown]
                    for one in house.controllers.all if one.words.unknown}
                   | ({"console": [heard.unknown, heard.last_unknown]} if heard.unknown else {}),
        "malformed": house.malformed,
        "troubled": dict(house.controllers.troubled),
        "memory": house.memory(),
        "stage": _stage(house, now_s),
    }  # fmt: skip


class _Ceilings:
    """The ceilings of one moment: those of the rig, and those of the stage in one solve."""

    def __init__(self, house: House) -> None:
        self._hard, self._matrix = house.engine.ceilings, house.engine.matrix
        stage = house.engine.stage
        self._map = None if stage is None else stage.goals.map()

    def of(self, slot: int) -> tuple[float, str]:
        """The lowest ceiling of a send or master, and its rule."""
        hard, rule = self._hard.ceiling(slot)
        if self._map is None:
            return hard, rule
        m = self._matrix
        if slot < m.on:
            place = divmod(slot - m.send, m.buses)
            top, why = self._map.sends[place], self._map.send_rules[place]
        else:
            top, why = self._map.masters[slot - m.master], self._map.master_rules[slot - m.master]
        return (hard, rule) if hard <= top else (max(float(top), m.asked[slot]), str(why))


def _stage(house: House, now_s: float) -> dict[str, object] | None:
    """How the stage stands: headroom left to its margin, and what the ears get."""
    stage = house.engine.stage
    if stage is None:
        return None
    listeners = [
        {
            "name": house.rig.person(heard.performer),
            "level_db": _level(heard.level_db),
            "measured": heard.measured,
            "percent": round(heard.percent, 1),
            "all_measured": heard.all_measured,
            "remaining_s": None if heard.remaining_s == math.inf else round(heard.remaining_s),
        }
        for heard in stage.listening.now(now_s)
    ]
    left_db = stage.goals.left_db()
    return {
        "left_db": None if left_db == math.inf else round(left_db, 2),
        "over": stage.over,
        "listeners": listeners,
    }


def _send(house: House, ceilings: _Ceilings, slot: int) -> dict[str, object]:
    m = house.engine.matrix
    ceiling, rule = ceilings.of(slot)
    return {"asked": _level(m.asked[slot]), "told": _level(m.told[slot]),
            "ceiling": _level(ceiling), "rule": rule}  # fmt: skip


def _socket(address: str) -> SocketAddress:
    place = parse_address(address, "daemon.watch", listen=True)
    if not isinstance(place, SocketAddress) or place.transport != "tcp":
        raise LinkError("daemon.watch", f"found {address}", "expected tcp://127.0.0.1:port")
    return place


async def _stays(reader: asyncio.StreamReader) -> bool:
    """Wait for a period; False as soon as the watcher has gone, which frees its place at once."""
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(PERIOD_S):
            while await reader.read(4096):
                pass  # nobody listens to a watcher
            return False
    return True


async def _taken(writer: asyncio.StreamWriter) -> bool:
    """Wait until a watcher has taken what was sent; False: it sleeps, and was let go of."""
    try:
        async with asyncio.timeout(TAKEN_S):
            await writer.drain()
    except TimeoutError:
        writer.transport.abort()
        return False
    return True


@contextlib.asynccontextmanager
async def serve(address: str, picture_now: Callable[[], dict[str, object]]) -> AsyncIterator[None]:
    """Show the picture to whoever connects, a line of JSON at a time, while the context lasts.

    Raises:
        LinkError: the address cannot be used.
    """
    place = _socket(address)
    watchers: set[asyncio.Task[None]] = set()

    async def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        if len(watchers) >= WATCHERS_MAX:
            writer.close()
            return
        watchers.add(task)
        try:
            with contextlib.suppress(OSError, asyncio.CancelledError):
                stays = True
                while stays:
                    writer.write(json.dumps(picture_now(), allow_nan=False).encode() + b"\n")
                    stays = await _taken(writer) and await _stays(reader)
        finally:
            watchers.discard(task)
            writer.close()

    try:
        server = await asyncio.start_server(connected, place.host or None, place.port)
    except OSError as error:
        raise LinkError("daemon.watch", f"{address}: {error.strerror}",
                        "stop what uses this port, or name another") from None  # fmt: skip
    try:
        yield
    finally:
        server.close()
        for task in list(watchers):
            task.cancel()


async def pictures(address: str) -> AsyncIterator[dict[str, Any]]:
    """The pictures of a running bridge, as they come.

    Raises:
        LinkError: nothing answers there, or the bridge stopped.
    """
    place = _socket(address)
    try:
        reader, writer = await asyncio.open_connection(
            place.host or "127.0.0.1", place.port, limit=LINE_BYTES_MAX
        )
    except OSError as error:
        raise LinkError("watch", f"nothing answers at {address} ({error.strerror})",
                        "start it with: foldbridge run RIG") from None  # fmt: skip
    try:
        while line := await reader.readline():
            yield json.loads(line)
    finally:
        writer.close()
    raise LinkError("watch", "the bridge stopped", "start it again, then watch again")
