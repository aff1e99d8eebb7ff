"""A bridge in its own process, killed with SIGKILL in the middle of its work, again and again."""

from __future__ import annotations

import os
import random
import select
import signal
import socket
import sqlite3
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from support.kept import Word
from support.whole import MAPPINGS

from bridge.console.same import same
from bridge.house import console_words
from bridge.journal import form
from bridge.journal.keeper import memory_path
from bridge.maps.load import parse_map
from bridge.mix.matrix import LEVEL, Matrix
from bridge.rig.rig import parse_rig
from bridge.simulator.stand_in import StandIn, random_levels
from bridge.wire import osc

KILLS = int(os.environ.get("FOLDBRIDGE_KILLS", "25"))
"""How often; more with FOLDBRIDGE_KILLS=500."""

pytestmark = pytest.mark.long

RIG = """
[rig]
name = "Ferry Lane, cellar"
[limits]
rise_db_per_s = 40
step_db = 2
[journal]
directory = "journal"
memory = "."
[[channel]]
id = "kick"
console = 1
[[channel]]
id = "voice"
console = 2
[[bus]]
id = "kit"
console = 1
start_db = -30
auto_open = true
start_mix = {{ kick = -12 }}
[[bus]]
id = "front"
console = 2
tap = "post"
[[controller]]
id = "page"
hands = "engineer"
map = "{maps}/engineer-panel.toml"
listen = "udp://127.0.0.1:{page}"
source = "127.0.0.1"
[console]
map = "{maps}/console-osc-position.toml"
send = "udp://127.0.0.1:{desk}"
listen = "udp://127.0.0.1:{bridge}"
"""


def free_ports(count: int) -> list[int]:
    sockets = [socket.socket(socket.AF_INET, socket.SOCK_DGRAM) for _ in range(count)]
    for one in sockets:
        one.bind(("127.0.0.1", 0))
    ports = [one.getsockname()[1] for one in sockets]
    for one in sockets:
        one.close()
    return ports


class Cellar:
    """The console in this process, and one bridge after the other beside it."""

    def __init__(self, folder: Path) -> None:
        desk, bridge, self.page_port = free_ports(3)
        self.path = folder / "rig.toml"
        text = RIG.format(maps=MAPPINGS, page=self.page_port, desk=desk, bridge=bridge)
        self.path.write_text(text)
        self.rig = parse_rig(text, str(self.path))
        name = self.rig.file.console.map
        map_file = parse_map(Path(name).read_text(), name)
        self.near = console_words(self.rig, map_file)
        self.far = console_words(self.rig, map_file, at_console=True)
        start = random_levels(self.rig.layout, sorted(self.far.can_set), 3)
        self.stand_in = StandIn(self.far, self.rig.layout, lambda line: None, power_on=start)
        self.m = Matrix(self.rig, self.near.can_set, 0.0)
        self.heard: list[Word] = []
        self.packets = 0
        self._bridge = ("127.0.0.1", bridge)
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4_000_000)
        self._socket.bind(("127.0.0.1", desk))
        self._page = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._quiet, self._end = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        while not self._end.is_set():
            ready, _, _ = select.select([self._socket], [], [], 0.01)
            if not ready:
                self._quiet.set()
                continue
            self._quiet.clear()
            data = self._socket.recv(65_536)
            self.packets += 1
            before = list(self.stand_in.values)
            for reply in self.stand_in.receive(data, time.monotonic()):
                self._socket.sendto(reply, self._bridge)
            changed = enumerate(zip(before, self.stand_in.values, strict=True))
            self.heard += [Word(slot, old, new) for slot, (old, new) in changed if old != new]

    def settle(self) -> None:
        """Wait until everything that was sent has been taken."""
        for _ in range(3):
            self._quiet.clear()
            assert self._quiet.wait(10.0)

    def close(self) -> None:
        self._end.set()
        self._thread.join()
        self._socket.close()
        self._page.close()

    def say(self, draw: random.Random) -> None:
        """A hand on the page."""
        bus, channel = draw.randint(1, 2), draw.randint(1, 2)
        address, tags, value = draw.choice((
            (f"/mix/{bus}/of/{channel}/level", "f", draw.random()),
            (f"/mix/{bus}/of/{channel}/level", "f", draw.random()),
            (f"/mix/{bus}/level", "f", draw.random()), (f"/mix/{bus}/level", "f", draw.random()),
            (f"/mix/{bus}/mute", "i", draw.randint(0, 1)), (f"/mix/{bus}/dim", "i", 0),
            (f"/mix/{bus}/of/{channel}/on", "i", draw.choice((0, 1, 1))),
            (f"/mix/{bus}/open", "i", 1), ("/quiet", "i", 0),
        ))  # fmt: skip
        data = osc.encode(address, tags, (value,))
        self._page.sendto(data, ("127.0.0.1", self.page_port))

    def kept(self) -> form.Past:
        """What the bridge left in memory."""
        path = memory_path(self.rig, self.rig.file.journal)
        assert path is not None
        image = path.read_bytes()
        kinds = bytes(self.m.kind)
        return form.read_image(image, b"", form.mark_of(self.rig), kinds)

    def louder(self, words: list[Word]) -> list[str]:
        """Words that made something louder at the console."""
        m = self.m
        quiet_is_0 = range(m.on, m.tap)
        found = []
        for slot, before, value in ((w.slot, w.before, w.value) for w in words):
            if m.kind[slot] == LEVEL:
                louder = value > before
            elif m.tap <= slot < m.master:
                louder = False
            else:
                louder = value == float(slot in quiet_is_0)
            if louder:
                found.append(f"{self.rig.layout.name(slot)}: {before:g} to {value:g}")
        return found

    def apart(self) -> list[tuple[int, float, float]]:
        """Where what was kept and what the console has are not the same: slot, kept, had."""
        told, values, m = self.kept().told, self.stand_in.values, self.m
        return [
            (slot, told[slot], values[slot])
            for slot in sorted(self.near.can_set)
            if told[slot] == told[slot]
            and not same(m.kind[slot], values[slot], self.near.held(slot, told[slot]))
        ]


class Life:
    """One bridge from start to SIGKILL."""

    def __init__(self, cellar: Cellar) -> None:
        self.cellar, self.first = cellar, len(cellar.heard)
        self.packets = cellar.packets
        self.lines: list[str] = []
        self._back = threading.Event()
        self.began_s = time.monotonic()
        self.back_s = float("inf")
        self.process = subprocess.Popen(
            [sys.executable, "-m", "bridge.cli", "run", str(cellar.path)],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stderr is not None
        with self.process.stderr:
            for line in self.process.stderr:
                self.lines.append(line)
                if "came back" in line:
                    self.back_s = time.monotonic() - self.began_s
                    self._back.set()

    def back(self) -> str:
        """Wait until it says how it came back."""
        assert self._back.wait(20.0), "".join(self.lines)
        return next(line for line in self.lines if "came back" in line).strip()

    def words(self) -> list[Word]:
        return self.cellar.heard[self.first :]

    def kill(self) -> None:
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()
        self._reader.join()
        self.cellar.settle()


@pytest.fixture()
def cellar(tmp_path: Path) -> Iterator[Cellar]:
    made = Cellar(tmp_path)
    yield made
    made.close()


def until(happened: Callable[[], bool], seconds: float) -> None:
    """Come back when it has happened; fail when it has not in time."""
    rest, end_s = threading.Event(), time.monotonic() + seconds
    while not happened():
        assert time.monotonic() < end_s, "waited in vain"
        rest.wait(0.005)


def play(cellar: Cellar, draw: random.Random, seconds: float) -> None:
    """A flood of gestures: a hundred at once, a short rest, and again."""
    rest = threading.Event()
    until_s = time.monotonic() + seconds
    while time.monotonic() < until_s:
        for _ in range(20):
            cellar.say(draw)
        rest.wait(0.005)


def first_life(cellar: Cellar) -> None:
    """Start cold, and play until every mix is open and moving."""
    life = Life(cellar)
    assert "came back cold" in life.back()
    until(lambda: cellar.kept().state == form.STANDS, 20.0)
    play(cellar, random.Random(1), 1.0)
    life.kill()


def test_a_bridge_that_is_killed_leaves_what_was_and_never_comes_back_louder(
    cellar: Cellar,
) -> None:
    seed = random.randrange(10**6)
    draw = random.Random(seed)
    first_life(cellar)
    starts, rest = [], threading.Event()
    for number in range(KILLS):
        where = f"seed {seed}, life {number}"
        life = Life(cellar)
        if draw.random() < 0.2:  # in the middle of its start
            until(lambda: cellar.packets > life.packets, 20.0)  # noqa: B023 - it is waited for here
            rest.wait(draw.uniform(0.0, 0.1))
            life.kill()
            assert cellar.louder(life.words()) == [], where
            continue
        how = life.back()
        if "came back cold" in how:
            assert "start had not been finished" in how, where
            play(cellar, draw, 0.3)
            life.kill()
            continue
        starts.append(life.back_s)
        cellar.settle()
        assert cellar.louder(life.words()) == [], f"{where}: {how}"
        play(cellar, draw, draw.uniform(0.0, 0.4))
        life.kill()
        apart = cellar.apart()
        assert len(apart) <= 1, f"{where}: {apart}"  # the one word that was on its way out
        for slot, kept, had in apart:
            word = Word(slot, had, kept)
            assert cellar.louder([word]) == [], f"{where}: kept {kept}, the console has {had}"
    assert len(cellar.heard) > 20 * KILLS, "the console heard next to nothing"
    assert starts, "no bridge came back warm"
    print(f"{len(starts)} starts, {statistics.median(starts):.2f} s in the median")
    with sqlite3.connect(cellar.path.parent / "journal" / "history.sqlite") as base:
        assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert base.execute("SELECT count(*) FROM gesture").fetchone()[0] > KILLS
