"""What breaks in real time. I/O.

Each fault is a coroutine that takes the scene and comes back when the fault is over. The witness is
told of what it cannot see: a link that is lost, a bridge that stands still, dies, or finds its
files damaged.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import random
import signal
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from soak_bridge import Bridges
from soak_hands import JUNK, Hands
from soak_net import Net
from soak_pages import Pages
from soak_rig import ANSWER_S, DELAY_S, PEOPLE, Places
from soak_tape import Tape

from bridge.rig.layout import Layout
from bridge.simulator.network import LossyNetwork
from bridge.simulator.server import Console
from bridge.simulator.stand_in import random_levels

LOST_S = 3.0 * ANSWER_S, 8.0
"""How long a console is away: longer than the bridge needs to see it."""

BAD_ROAD = 0.02, 0.01
"""Share of packets that a bad road loses, and doubles."""


@dataclass
class Scene:
    """All that takes part.

    Attributes:
        can_set: What the desk can move.
        journal: The journal's folders: the disk's, and the one kept in memory.
        board: Plugs the MIDI board in and out; None without one.
        come_back: Starts the next bridge and notes how it came.
    """

    draw: random.Random
    clock: Callable[[], float]
    tape: Tape
    console: Console
    layout: Layout
    can_set: tuple[int, ...]
    bridges: Bridges
    hands: Hands
    pages: Pages
    net: Net
    places: Places
    journal: tuple[Path, Path]
    board: Callable[[bool], Awaitable[None]] | None
    come_back: Callable[[], Awaitable[None]]


async def desk_moves(scene: Scene) -> None:
    """Somebody moves the desk itself."""
    for _ in range(scene.draw.randint(1, 12)):
        slot = scene.draw.choice(scene.can_set)
        value = random_levels(scene.layout, [slot], scene.draw.randrange(10**6))[slot]
        scene.console.catch_up()
        scene.console.move(slot, value)
        await asyncio.sleep(scene.draw.uniform(0.0, 0.3))


async def console_restarts(scene: Scene) -> None:
    """The console is off for a while, and has other levels then."""
    down_s = scene.draw.uniform(*LOST_S)
    fresh = random_levels(scene.layout, scene.can_set, scene.draw.randrange(10**6))
    scene.console.catch_up()
    scene.console.stand_in.restart(scene.clock(), fresh, down_s=down_s)
    await asyncio.sleep(down_s)


async def console_is_deaf(scene: Scene) -> None:
    """The console neither hears nor says anything for a while."""
    now_s, away_s = scene.clock(), scene.draw.uniform(*LOST_S)
    scene.tape.note("lost", now_s)
    scene.console.stand_in.fall_silent(now_s, now_s + away_s, deaf=True)
    await asyncio.sleep(away_s)


async def bad_road(scene: Scene) -> None:
    """For a while words are late, doubled, out of order or lost, both ways."""
    loss, double = BAD_ROAD
    roads = [
        LossyNetwork(scene.draw.randrange(10**6), loss=loss, double=double,
                     delay_s=(0.001, DELAY_S - 0.01), reorder=0.5)
        for _ in range(2)
    ]  # fmt: skip
    with scene.console.roads(*roads):
        await asyncio.sleep(scene.draw.uniform(5.0, 10.0))


async def stands_still(scene: Scene) -> None:
    """The machine has no turn for the bridge."""

    async def still() -> None:
        scene.bridges.stop()
        await asyncio.sleep(scene.draw.choice((0.3, 0.9, 2.0, 6.0)))
        scene.bridges.resume()
        scene.tape.note("stood still")

    await scene.bridges.leave_out(still)


async def flood(scene: Scene) -> None:
    """A tablet says far too much."""
    scene.hands.flooding = scene.draw.randrange(len(PEOPLE))
    try:
        await asyncio.sleep(7.0)
    finally:
        scene.hands.flooding = -1


async def junk(scene: Scene) -> None:
    """Bytes that mean nothing, at every port, from everybody."""
    draw, ports = scene.draw, (scene.places.hands, scene.places.console)
    tcp = scene.places.pages
    for _ in range(200):
        data = draw.choice((*JUNK, draw.randbytes(draw.randint(1, 1400))))
        scene.hands.say(draw.randrange(-1, len(PEOPLE)), data, draw.choice(ports))
        if draw.random() < 0.05:
            with contextlib.suppress(OSError, TimeoutError):
                async with asyncio.timeout(2.0):
                    _, writer = await asyncio.open_connection(scene.places.bridge, tcp)
                    writer.write(data)
                    await writer.drain()
                    writer.close()
        await asyncio.sleep(0.02)


async def board_unplugged(scene: Scene) -> None:
    """The MIDI board's plug comes out, and in again."""
    assert scene.board is not None
    await scene.board(False)
    await asyncio.sleep(scene.draw.uniform(0.5, 4.0))
    await scene.board(True)


async def pages_sleep(scene: Scene) -> None:
    """Some phones are in a pocket: they take nothing."""
    scene.pages.asleep = set(scene.draw.sample(range(len(PEOPLE)), 4))
    try:
        await asyncio.sleep(scene.draw.uniform(5.0, 15.0))
    finally:
        scene.pages.asleep = set()


async def cable_out(scene: Scene) -> None:
    """The bridge is cut off from everybody."""
    scene.tape.note("lost")
    scene.net.pull()
    try:
        await asyncio.sleep(scene.draw.uniform(*LOST_S))
    finally:
        scene.net.plug()


async def full_disk(scene: Scene) -> None:
    """The journal's disk has no room for a while."""
    with _filled(scene.journal[0]):
        await asyncio.sleep(scene.draw.uniform(5.0, 10.0))


@contextlib.contextmanager
def _filled(folder: Path) -> Iterator[None]:
    filler = folder / "filler"
    try:
        with contextlib.suppress(OSError), filler.open("wb", buffering=0) as file:
            while file.write(bytes(65_536)):
                pass
        yield
    finally:
        filler.unlink(missing_ok=True)


async def killed(scene: Scene) -> None:
    """The bridge is killed in the middle of all."""
    scene.console.catch_up()
    scene.tape.note("crash")
    await scene.bridges.end(signal.SIGKILL)
    await asyncio.sleep(scene.draw.choice((0.2, 0.5, 4.0)))
    await scene.come_back()


async def ended(scene: Scene) -> None:
    """The bridge is ended in order."""
    scene.tape.note("crash")
    await scene.bridges.end(signal.SIGTERM)
    await scene.come_back()


async def damaged(scene: Scene) -> None:
    """The bridge is killed, and a file of its journal is damaged."""
    scene.tape.note("crash")
    scene.tape.note("damaged")
    await scene.bridges.end(signal.SIGKILL)
    _spoil(scene.draw, scene.journal)
    await scene.come_back()


def _spoil(draw: random.Random, folders: tuple[Path, ...]) -> None:
    """Cut, change, empty or remove one of the journal's files."""
    files = sorted(path for folder in folders for path in folder.iterdir() if path.is_file())
    path, how = draw.choice(files), draw.randrange(4)
    data = bytearray(path.read_bytes())
    if how == 0:
        path.unlink()
    elif how == 1:
        os.truncate(path, draw.randint(0, len(data)))
    elif how == 2:
        path.write_bytes(draw.randbytes(len(data)))
    elif data:
        for _ in range(draw.randint(1, 8)):
            data[draw.randrange(len(data))] ^= 1 << draw.randrange(8)
        path.write_bytes(data)


Fault = Callable[[Scene], Awaitable[None]]

FAULTS: dict[str, Fault] = {
    "desk moves": desk_moves, "console restarts": console_restarts,
    "console is deaf": console_is_deaf, "bad road": bad_road, "stands still": stands_still,
    "flood": flood, "junk": junk, "pages sleep": pages_sleep,
}  # fmt: skip
"""What a bridge lives through."""

KILLING: dict[str, Fault] = {"killed": killed, "ended": ended, "damaged": damaged}
"""What a bridge does not live through."""


def possible(scene: Scene, *, disk: bool, apart: bool) -> dict[str, Fault]:
    """What a bridge lives through here.

    Args:
        scene: All that takes part.
        disk: The journal has a disk of its own.
        apart: The bridge has a network of its own.
    """
    more: dict[str, Fault] = {}
    if scene.board is not None:
        more["board unplugged"] = board_unplugged
    if disk:
        more["full disk"] = full_disk
    if apart:
        more["cable out"] = cable_out
    return FAULTS | more
