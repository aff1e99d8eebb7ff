"""A house with a journal, and a console that survives it: played by hand, byte by byte."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from bridge.house import House, Roads, console_words
from bridge.journal import keeper as keeping
from bridge.journal.keeper import Keeper
from bridge.maps.console import ConsoleWords
from bridge.mix.gesture import SET, Verdict
from bridge.mix.matrix import LEVEL
from bridge.rig.journal import Journal
from bridge.rig.layout import Parameter as P
from bridge.simulator.stand_in import StandIn, random_levels
from support.whole import KINDS, Kind, Run

BOOT = bytes(range(16))


@dataclass(frozen=True)
class Word:
    """One word that the console received: what it had, and has now."""

    slot: int
    before: float
    value: float


def die(keeper: Keeper) -> None:
    """The process is gone: nothing is written any more, and its lock is free."""
    if keeper._copies is not None:
        keeper._copies._changed = lambda: False
        keeper._copies._pending = False
        keeper._copies._written_s = float("inf")
        keeper._copies.close()
    keeper._history.close()
    keeper._ledger.close()


class Desk:
    """A console that outlives every bridge."""

    def __init__(self, run: Run, seed: int = 7) -> None:
        self.words: ConsoleWords = console_words(
            run.rig, run.maps[run.rig.file.console.map], at_console=True
        )
        start = random_levels(run.rig.layout, sorted(self.words.can_set), seed)
        self.stand_in = StandIn(self.words, run.rig.layout, lambda line: None, power_on=start)

    @property
    def values(self) -> list[float]:
        return self.stand_in.values


class Evening:
    """One life of a bridge, with the journal that lies in a folder.

    Args:
        folder: The journal's folder; what is kept in memory lies in it as well.
        desk: The console; a new one when missing.
        kind: What console it is.
        keeps_levels: As the rig declares.
        now_s: When this life begins.
        boot: The run of the machine.
    """

    def __init__(
        self,
        folder: Path,
        desk: Desk | None = None,
        *,
        kind: Kind = KINDS["position"],
        keeps_levels: bool = False,
        now_s: float = 100.0,
        boot: bytes = BOOT,
        warm_within_s: float = 600.0,
        memory: str = "memory",
    ) -> None:
        run = self.run = Run(1, kind)
        self.rig = run.rig
        self.desk = desk or Desk(run)
        self.now_s = now_s
        self.sent: list[Word] = []
        self.on_send: Callable[[], None] = lambda: None
        self._replies: list[bytes] = []
        (folder / "memory").mkdir(parents=True, exist_ok=True)
        settings = Journal(
            directory=str(folder), memory=str(folder / memory), warm_within_s=warm_within_s
        )
        self.path = keeping.memory_path(self.rig, settings)
        self.keeper = Keeper(self.rig, settings, keeps_levels=keeps_levels, boot=lambda: boot)
        self.keeper.start()
        roads = Roads(self._send, [lambda _: True] * 3, reliable=False)
        self.silent = self.full = False  # the console hears nothing; the link takes nothing
        self.house = House(self.rig, run.maps, roads, journal=self.keeper)
        self.engine, self.m = self.house.engine, self.house.engine.matrix

    def _send(self, data: bytes) -> bool:
        self.on_send()
        if self.silent or self.full:
            return not self.full
        before = list(self.desk.values)
        self._replies += self.desk.stand_in.receive(data, self.now_s)
        self.sent += [
            Word(slot, old, new)
            for slot, (old, new) in enumerate(zip(before, self.desk.values, strict=True))
            if old != new
        ]
        return True

    def open(self, seconds: float = 0.5) -> Evening:
        """The link stands, and some time passes."""
        self.house.console.link_open(self.now_s)
        self.house.settle(self.now_s)
        return self.pass_time(seconds)

    def pass_time(self, seconds: float) -> Evening:
        until_s = self.now_s + seconds
        while self.now_s < until_s:
            replies, self._replies = self._replies, []
            if replies:
                self.house.from_console([(data, "") for data in replies], self.now_s)
            self.now_s += 0.01
            self.house.wake(self.now_s)
        return self

    def playing(self) -> Evening:
        """An evening with all mixes open and at work."""
        self.open().pass_time(8.0)
        for bus in range(3):
            self.wish(self.slot(P.BUS_OPEN, -1, bus), 1.0)
        self.pass_time(6.0)
        for channel in range(2):
            for bus in range(3):
                self.wish(self.slot(P.SEND_LEVEL, channel, bus), -10.0 - channel - bus)
        for bus in range(3):
            self.wish(self.slot(P.BUS_MASTER, -1, bus), -12.0)
        return self.pass_time(12.0)

    def slot(self, parameter: P, channel: int = -1, bus: int = -1) -> int:
        return self.rig.layout.slot(parameter, channel, bus)

    def wish(self, slot: int, value: float, who: int = -1) -> Verdict:
        verdict = self.house.controllers.wish("page", who, slot, SET, value, self.now_s)
        self.house.settle(self.now_s)
        return verdict

    def told(self) -> list[float]:
        """What the journal has in memory now, a value a slot."""
        return [self.keeper.kept.told[slot] for slot in range(self.m.size)]

    def killed(self) -> Desk:
        """The process is gone; nothing is written any more by it. Answers the console."""
        die(self.keeper)
        return self.desk

    def louder(self) -> list[Word]:
        """Words that made something louder at the console."""
        return [w for w in self.sent if self.is_louder(w.slot, w.value, w.before)]

    def is_louder(self, slot: int, value: float, before: float) -> bool:
        if self.m.kind[slot] == LEVEL:
            return value > before + 1e-9
        tap = self.m.tap <= slot < self.m.pan
        return value != before and not tap and self.engine.buses.louder(slot, value)
