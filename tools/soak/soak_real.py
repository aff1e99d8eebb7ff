"""A whole evening in real time: a bridge of its own process, real sockets, everybody at work. I/O.

The console stands in here, with the time at which the kernel had each word; tablets, phones, a
MIDI board and the engineer play, something breaks, nobody asks for anything for a while, and all
play again. In the last third bridges are killed too; until then one bridge lives, so that its
memory can be seen to stay as it is. The witness judges as it goes.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import random
import signal
import socket
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import soak_faults
import soak_net
from soak_board import boards
from soak_bridge import LOOK_S, Bridges, Died
from soak_faults import Scene
from soak_hands import Hands
from soak_net import Net
from soak_pages import Pages
from soak_rig import ANSWER_S, DELAY_S, PASSPHRASE, PEOPLE, Places, files
from soak_tape import Tape

from bridge.guard.stall import LATE_S
from bridge.house import console_words
from bridge.loading import load
from bridge.pages.passphrase import hashed
from bridge.rig.layout import Parameter
from bridge.simulator.facts import Road, facts_from
from bridge.simulator.findings import Findings
from bridge.simulator.recording import settled
from bridge.simulator.server import Console
from bridge.simulator.stand_in import StandIn, random_levels
from bridge.units import OFF

MESSAGES_PER_S = 2000.0
PLAY_S, CALM_S = (12.0, 25.0), (8.0, 11.0)
"""How long all play until something breaks, and how long nobody asks for anything then."""

KILLS_AFTER = 2.0 / 3.0
"""From this share of the time on bridges are killed."""

KILL_SHARE = 0.6
"""Share of those faults from then on."""

WARM_UP = 0.15
"""Share of the time after which memory may not grow any more."""

GROWTH, STALL_S, STALL_SHARE = 0.05, 0.02, 0.999
"""What must hold: growth of memory, and lateness of the loop of so many turns."""

REST_S = 90.0
"""So long all may take to come to rest at the end."""

DISK_BYTES = 8_000_000
MAPS = Path(__file__).resolve().parents[2] / "mappings"


@dataclass
class Told:
    """What became of it.

    Attributes:
        minutes: How long it was.
        findings: What the witness says; None when it never came so far.
        faults: How often each was met.
        lines: Figures in words.
        broken: What does not hold, in words.
    """

    minutes: float
    findings: Findings | None = None
    faults: Counter[str] = field(default_factory=Counter)
    lines: list[str] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)


class Soak:
    """One soak; ``run`` is all of it."""

    def __init__(self, minutes: float, seed: int, net: Net, folder: Path, *, disk: bool) -> None:
        self._seconds, self._net, self._folder, self._disk = 60.0 * minutes, net, folder, disk
        self._draw = random.Random(f"soak {seed}")
        self._told = Told(minutes)
        self._starting = False

    async def run(self, board: Any, kept: Path | None) -> Told:
        """Play, and say what became of it.

        Args:
            board: The MIDI board; None without one.
            kept: Where the recording goes; nowhere when None.
        """
        self._clock = asyncio.get_running_loop().time
        console = await self._set_up(board, kept)
        try:
            await self._play()
        except Died as death:
            self._told.broken.append(f"the bridge ended by itself: {death}")
        except Exception as problem:  # whatever it is, what was found until now counts
            self._told.broken.append("".join(traceback.format_exception(problem)))
        finally:
            await self._scene.bridges.leave()
            await self._scene.pages.close()
            self._scene.hands.close()
            console.close()
        self._sum_up()
        return self._told

    async def _set_up(self, board: Any, kept: Path | None) -> Console:
        places, secret = _places(self._net), hashed(PASSPHRASE, b"Ferry Lane night")
        journal = self._folder / "journal", self._folder / "memory"
        texts = files(places, MAPS, journal, secret, midi=board is not None)
        for name, text in texts.items():
            (self._folder / name).write_text(text, encoding="utf-8")
        for folder in journal:
            folder.mkdir(exist_ok=True)
        path = self._folder / "rig.toml"
        self._rig, maps = load(path)
        map_file = maps[self._rig.file.console.map]
        far = console_words(self._rig, map_file, at_console=True)
        before = random_levels(self._rig.layout, sorted(far.can_set), self._draw.randrange(10**6))
        stand_in = StandIn(far, self._rig.layout, lambda line: self._tape(line), power_on=before)
        road = Road(delay_s=DELAY_S, news_s=0.6 + 2.0 * ANSWER_S)
        near = console_words(self._rig, map_file)
        self._tape = Tape(facts_from(self._rig, near, stand_in.values, road), self._clock, kept)
        console = Console(stand_in, reports_to=(places.bridge, places.console))
        await console.listen_udp(places.desk, places.desk_port, stamped=True)
        bridges = Bridges(
            path, places.health, places.watch, self._net, {} if board is None else board.environment
        )
        hands = Hands(places, self._tape, self._draw, MESSAGES_PER_S, board and board.play)
        self._scene = Scene(
            draw=self._draw, clock=self._clock, tape=self._tape, console=console,
            layout=self._rig.layout, can_set=tuple(sorted(far.can_set & far.can_read)),
            bridges=bridges, hands=hands,
            pages=Pages(places.base, places.near, self._tape, self._draw), net=self._net,
            places=places, journal=journal, board=board and board.plug, come_back=self._come_back,
        )  # fmt: skip
        self._faults = soak_faults.possible(
            self._scene, disk=self._disk, apart=isinstance(self._net, soak_net.Apart)
        )
        return console

    # -- what happens -----------------------------------------------------------------------------

    async def _play(self) -> None:
        scene = self._scene
        await self._come_back()
        began_s = self._clock()
        async with _beside(self._look(), scene.hands.run(), scene.pages.run()) as failed:
            await self._asking(PLAY_S[0])
            while self._clock() < began_s + self._seconds:
                failed()
                await self._asking(scene.draw.uniform(*PLAY_S))
                await self._fault(self._clock() - began_s)
            await self._rest()
            scene.pages.asking = scene.hands.asking = False
        await scene.bridges.look()
        await scene.bridges.end(signal.SIGTERM)

    async def _asking(self, seconds: float) -> None:
        """Everybody asks for whatever they like for so long."""
        self._asks(True)
        await asyncio.sleep(seconds)

    def _asks(self, value: bool) -> None:
        self._scene.hands.asking = self._scene.pages.asking = value

    async def _fault(self, since_s: float) -> None:
        """Something breaks, while all go on; afterwards nobody asks for anything for a while."""
        scene, late = self._scene, since_s > KILLS_AFTER * self._seconds
        table = self._faults
        if late and scene.draw.random() < KILL_SHARE:
            table = soak_faults.KILLING
        fewest = min(self._told.faults[name] for name in table)
        name = scene.draw.choice([name for name in table if self._told.faults[name] == fewest])
        self._told.faults[name] += 1
        # half of the faults happen while all go on asking, the other half while nobody does
        self._asks(name not in soak_faults.KILLING and scene.draw.random() < 0.5)
        await table[name](scene)
        self._asks(False)
        await asyncio.sleep(scene.draw.uniform(*CALM_S))

    async def _come_back(self) -> None:
        """The next bridge; of a cold one it is noted that what opens by itself is asked for."""
        self._starting = True
        way = await self._scene.bridges.start()
        if way == "cold":
            began_s, layout = self._scene.bridges.life.began_s, self._rig.layout
            self._tape.note("start", began_s)
            for bus, declared in enumerate(self._rig.file.bus):
                if declared.auto_open:
                    sends = [layout.slot(Parameter.SEND_LEVEL, channel, bus)
                             for channel in range(len(layout.channels))]  # fmt: skip
                    slots = [layout.slot(Parameter.BUS_MASTER, -1, bus), *sends]
                    self._tape.note("person", began_s, slots=slots)
        self._starting = False
        await asyncio.sleep(CALM_S[0])

    async def _look(self) -> None:
        """Read the bridge's figures, and let the witness have what is old enough."""
        while True:
            await asyncio.sleep(LOOK_S / 4.0)
            if not self._starting:
                self._tape.feed()
                await self._scene.bridges.look_in_time()

    async def _rest(self) -> None:
        """Nobody does anything; in the end the console has to hold what the bridge wants."""
        self._asks(False)
        self._scene.hands.resting = True
        until_s, before = self._clock() + REST_S, dict[int, float]()
        while self._clock() < until_s:
            await asyncio.sleep(3.0)
            values = self._stands(await self._scene.bridges.picture())
            if values == before:
                self._tape(settled(self._clock(), values))
                return
            before = values
        self._told.broken.append(f"levels still moved after {REST_S:g} s in which nobody asked")

    def _stands(self, picture: dict[str, Any]) -> dict[int, float]:
        """What the bridge told the console last, by slot."""
        layout, values = self._rig.layout, dict[int, float]()
        for number, bus in enumerate(picture["buses"]):
            values[layout.slot(Parameter.BUS_MASTER, -1, number)] = _level(bus["told"])
            for channel, send in enumerate(bus["sends"]):
                values[layout.slot(Parameter.SEND_LEVEL, channel, number)] = _level(send["told"])
        return values

    # -- what is told -----------------------------------------------------------------------------

    def _sum_up(self) -> None:
        told, scene = self._told, self._scene
        found = told.findings = self._tape.findings()
        if not found.ok or found.unsettled:
            told.broken.append(found.text() if not found.ok else "it never came to rest")
        seconds, bridges = max(1.0, found.span_s), scene.bridges
        told.lines += [
            f"{told.minutes:g} min, {self._net.tells}: {scene.hands.said} messages of hands "
            f"({scene.hands.said / seconds:.0f}/s), {scene.pages.moves} moves on pages, "
            f"{scene.pages.joins} times let in, {scene.pages.opened} opened again",
            f"the console: {found.text()}",
            "faults: " + ", ".join(f"{n} {name}" for name, n in told.faults.most_common()),
            "bridges: " + ", ".join(f"{n} {way}" for way, n in bridges.ways.most_common()),
        ]
        self._memory()
        self._lateness()
        if any(bridges.faults.values()):
            told.broken.append(f"the bridge counts faults of its own: {dict(bridges.faults)}")

    def _memory(self) -> None:
        """How the memory of the first, long life went."""
        looks = self._scene.bridges.first_memory
        warm_s = WARM_UP * self._seconds
        later = [bytes_ for since_s, bytes_ in looks if since_s > warm_s]
        if len(later) < 20:
            self._told.broken.append("too few looks at the memory")
            return
        tenth = len(later) // 10
        first, last = (sum(part) / len(part) for part in (later[:tenth], later[-tenth:]))
        growth = last / first - 1.0
        self._told.lines.append(
            f"memory: {first / 1e6:.1f} MB after {warm_s / 60.0:.1f} min, {last / 1e6:.1f} MB "
            f"after {looks[-1][0] / 60.0:.1f} min: {100.0 * growth:+.1f} %"
        )
        if growth > GROWTH:
            self._told.broken.append(f"memory grew by {100.0 * growth:.1f} %, expected below 5 %")

    def _lateness(self) -> None:
        """How late the loop turned."""
        late, shares = self._scene.bridges.late, []
        for share in (0.5, 0.99, STALL_SHARE):
            shares.append(f"{100.0 * share:g} % of turns at most {_below(late, share) * 1e3:g} ms")
        self._told.lines.append(f"loop: {sum(late):.0f} turns, {', '.join(shares)} late")
        used, up = self._scene.bridges.cpu_s, self._scene.bridges.up_s
        self._told.lines.append(f"processor: {100.0 * used / max(1.0, up):.0f} % of one core")
        if not _below(late, STALL_SHARE) <= STALL_S:
            self._told.broken.append(
                f"the loop was later than {1e3 * STALL_S:g} ms in more than 1 of 1000 turns: "
                + ", ".join(f"{n:.0f} up to {s:g} s" for s, n in zip(LATE_S, late, strict=True))
            )


def _below(late: list[float], share: float) -> float:
    """The class bound below which so large a share of the turns lies, s."""
    needed, count = share * sum(late), 0.0
    for bound_s, turns in zip(LATE_S, late, strict=True):
        count += turns
        if count >= needed:
            return bound_s
    return math.inf


def _level(shown: float | None) -> float:
    return OFF if shown is None else shown


def _places(net: Net) -> Places:
    numbers = _free_ports(6)
    return Places(net.bridge, net.desk, net.near(len(PEOPLE) + 1), *numbers)


def _free_ports(count: int) -> list[int]:
    with contextlib.ExitStack() as stack:
        found = [stack.enter_context(socket.socket()) for _ in range(count)]
        for one in found:
            one.bind(("127.0.0.1", 0))
        return [int(one.getsockname()[1]) for one in found]


@contextlib.asynccontextmanager
async def _beside(*works: Awaitable[None]) -> AsyncIterator[Callable[[], None]]:
    """Works that go on while the context lasts; call what it gives to meet what failed."""
    tasks = [asyncio.ensure_future(work) for work in works]

    def failed() -> None:
        for task in tasks:
            if task.done():
                task.result()

    try:
        yield failed
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.wait(tasks)


@contextlib.contextmanager
def _disk(folder: Path) -> Iterator[bool]:
    """A small disk for the journal, where this process may make one; whether it could."""
    at = folder / "journal"
    at.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", f"size={DISK_BYTES}", "foldbridge-soak", str(at)]
    made = (
        soak_net.is_root()
        and not subprocess.run(words, check=False, capture_output=True).returncode
    )
    try:
        yield made
    finally:
        if made:
            subprocess.run(["umount", str(at)], check=False, capture_output=True)


def run(minutes: float, seed: int, *, apart: bool, kept: Path | None) -> Told:
    """Play a soak, and print what became of it.

    Args:
        minutes: How long.
        seed: Where all that is done and broken comes from.
        apart: Give the bridge a network of its own.
        kept: Where the recording goes; nowhere when None.

    Raises:
        NoNetwork: this machine gives no network of its own.
    """
    began_s = time.monotonic()
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="foldbridge-soak-")))
        disk = stack.enter_context(_disk(folder))
        board, why = stack.enter_context(boards())
        net = stack.enter_context(soak_net.apart(len(PEOPLE) + 1)) if apart else Net()
        print(
            f"seed {seed}; a network of its own: {'yes' if apart else 'no'}; a disk of its own: "
            f"{'yes' if disk else 'no'}; a MIDI board: {why or 'yes'}",
            flush=True,
        )
        told = asyncio.run(Soak(minutes, seed, net, folder, disk=disk).run(board, kept))
    print("\n".join(told.lines))
    print(f"{time.monotonic() - began_s:.0f} s in all", flush=True)
    for what in told.broken:
        print(f"BROKEN: {what}", file=sys.stderr, flush=True)
    return told
