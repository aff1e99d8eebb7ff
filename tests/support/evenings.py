"""One evening of a whole bridge on the virtual clock, with faults of every kind. I/O.

The seed draws all of it: the console and its road, the stage, the presets, how bad the network is,
what people do, and what breaks. The witness judges what the console received.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
from collections import Counter
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

from bridge.daemon import Daemon
from bridge.simulator.recording import note
from support.returning import Returning
from support.whole import KINDS, STAGE, Run

HOUR_S = 3600.0

SPELL = 4, 40
"""Gestures in a spell of them."""

PRESET = """
by = "Ruth"
when = 2026-11-25T18:00:00Z
[scope]
buses = ["kit", "front", "side"]
"""

PRESETS = {"loud": (3.0, 0.0, 2.0), "soft": (-30.0, -20.0, -25.0), "plain": (-9.0, -12.0, -15.0)}
"""Of each: one channel's send, the master, the other channel's send, dB."""

JUNK = (
    b"",
    b"/",
    b"/mix\0\0\0\0",
    b"#bundle\0",
    b"\xf0\x00\x7f",
    b"/mix/1/level\0\0\0\0,f\0\0\x7f\xc0\0\0",
)
"""Bytes that are no message, and a level that is no number."""


def preset_text(levels: tuple[float, float, float]) -> str:
    """A preset of all mixes."""
    kick, master, voice = levels
    return PRESET + "".join(
        f"[bus.{bus}]\nmaster_db = {min(master, top)}\n[bus.{bus}.send]\n"
        f"kick = {{ level_db = {kick}, on = true }}\nvoice = {{ level_db = {voice}, on = true }}\n"
        for bus, top in (("kit", 0.0), ("front", -5.0), ("side", 0.0))
    )


async def at_once(work: Callable[..., Any], *arguments: Any) -> Any:
    """Files are read in the loop itself: a virtual clock knows no threads."""
    return work(*arguments)


class Evening(Returning):
    """An evening; the folder is its own.

    Attributes:
        faults_met: How often each kind of fault was met.
    """

    def __init__(self, seed: int, folder: Path, seconds: float = HOUR_S, **more: Any) -> None:
        draw = random.Random(f"evening {seed}")
        kind = KINDS[draw.choice(list(KINDS))]
        said = ""
        if draw.random() < 0.7:
            for name, levels in PRESETS.items():
                (folder / f"{name}.toml").write_text(preset_text(levels), encoding="utf-8")
            names, room = list(PRESETS), draw.random() < 0.4
            said += f'[presets]\nfolder = "{folder}"\n'
            said += (f"[room]\npresets = {names}\nidle_min = {draw.choice((1, 5))}\n" if room
                     else f"order = {names}\n")  # fmt: skip
        if draw.random() < 0.4:
            said += STAGE.format(when_over=draw.choice(("warn", "pull down")))
        super().__init__(
            seed, kind, folder / "journal", seconds,
            loss=draw.choice((0.0, 0.01, 0.05, 0.15)), delay_s=draw.choice((0.04, 0.05, 0.1)),
            stage=said, **more,
        )  # fmt: skip
        self.quiet_s = draw.choice((60.0, *(3 * [300.0]), *(4 * [900.0])))
        self.faults_met: Counter[str] = Counter()
        self._damage: Callable[[], None] = lambda: None

    def _bridge(self, journal: Any = None) -> Daemon:
        daemon = super()._bridge(journal)
        if daemon.presets is not None:
            self._note_what_is_declared(daemon.presets.running)
        return daemon

    def _note_what_is_declared(self, running: Any) -> None:
        """What the rig declares for its room is as good as a person who asks."""
        obey = running.obey

        async def noted(here: Any, order: Any) -> Any:
            now_s = asyncio.get_running_loop().time()
            self.lines += [note(now_s, "person"), note(now_s, "allowed_open")]
            return await obey(here, order)

        running._aside, running.obey = at_once, noted

    # -- people -----------------------------------------------------------------------------------

    async def _play(self, loop: asyncio.AbstractEventLoop) -> None:
        draw, whole_s, self.seconds = self.random, self.seconds, 60.0
        await super()._play(loop)  # the first minute brings a bridge that keeps a journal
        self.seconds = whole_s
        while loop.time() < whole_s - 60.0:
            for _ in range(draw.randint(*SPELL)):
                await self._somebody()
                await asyncio.sleep(draw.choice((0.0, 0.003, 0.02, 0.1, 0.4)))
            await asyncio.sleep(draw.uniform(2.0, self.quiet_s))
            if draw.random() < 0.5:
                await self._fault(loop)

    async def _somebody(self) -> None:
        """A hand on a control, or on a preset."""
        presets = self.daemon.presets
        if presets is None or self.random.random() > 0.05:
            self._gesture()
            return
        now_s = asyncio.get_running_loop().time()
        self.lines.append(note(now_s, "person"))
        gesture = self.random.choice((*PRESETS, "next preset", "undo"))
        presets.call(self.random.choice((-1, 0, 1)), gesture)

    # -- what breaks ------------------------------------------------------------------------------

    async def _fault(self, loop: asyncio.AbstractEventLoop) -> None:
        name = self.random.choice(list(FAULTS))
        self.faults_met[name] += 1
        await FAULTS[name](self, loop)

    async def console_fault(self, loop: asyncio.AbstractEventLoop) -> None:
        """The desk moves, the console restarts, or the cable comes out."""
        await Run._fault(self, loop)

    async def killed(self, loop: asyncio.AbstractEventLoop) -> None:
        """The bridge dies in the middle of what people do."""
        for _ in range(self.random.randint(1, 12)):
            self._gesture()
            await asyncio.sleep(self.random.choice((0.0, 0.003, 0.02, 0.1)))
        await self._crash(loop)

    async def power_cut(self, loop: asyncio.AbstractEventLoop) -> None:
        """The machine is off and on again: what was in memory is gone, the disk's copy is old."""
        await self._on_disk()
        for _ in range(self.random.randint(0, 3)):
            self._gesture()
            await asyncio.sleep(self.random.uniform(0.0, 0.03))  # a copy is 0.1 s old at most
        self._damage = self._forget
        await self._crash(loop)

    async def damaged_journal(self, loop: asyncio.AbstractEventLoop) -> None:
        """The bridge dies, and before the next one starts a file of its journal is damaged."""
        await self._on_disk()
        self.lines.append(note(loop.time(), "damaged"))
        self._damage = self._spoil
        await self._crash(loop)

    async def _on_disk(self) -> None:
        """Have the levels on the disk: its thread knows nothing of the virtual clock."""
        journal: Any = self.daemon.house.journal
        if journal._copies is not None:
            journal._copies.close()

    def _forget(self) -> None:
        self.boot = self.random.randbytes(16)
        for path in self.folder.glob("foldbridge-*"):
            path.unlink()

    def _spoil(self) -> None:
        """Cut, change, empty or remove one of the journal's files."""
        draw = self.random
        paths = sorted(path for path in self.folder.iterdir() if path.is_file())
        path = draw.choice(paths)
        data = bytearray(path.read_bytes())
        how = draw.randrange(4)
        if how == 0:
            path.unlink()
        elif how == 1:
            path.write_bytes(data[: draw.randint(0, len(data))])
        elif how == 2:
            path.write_bytes(draw.randbytes(len(data)))
        elif data:
            for _ in range(draw.randint(1, 8)):
                data[draw.randrange(len(data))] ^= 1 << draw.randrange(8)
            path.write_bytes(data)

    async def _meanwhile(self, loop: asyncio.AbstractEventLoop) -> None:
        damage, self._damage = self._damage, lambda: None
        damage()
        await super()._meanwhile(loop)

    async def stood_still(self, loop: asyncio.AbstractEventLoop) -> None:
        """The machine has no turn for the bridge, in the middle of ramps."""
        for _ in range(self.random.randint(1, 12)):
            self._gesture()
        await asyncio.sleep(self.random.uniform(0.0, 1.0))
        loop.stand_still(self.random.choice((0.3, 0.9, 2.0, 6.0)))  # type: ignore[attr-defined]
        self.lines.append(note(loop.time(), "stood still"))
        await asyncio.sleep(12.0)

    async def flooded(self, loop: asyncio.AbstractEventLoop) -> None:
        """A controller says far too much, for longer than a hand could."""
        number, row = self.random.choice((0, 1)), self.random.randint(1, 2)
        for _ in range(140):
            for _ in range(60):
                self.say(number, f"/my/{row}/level", "f", self.random.choice((0.5, 0.51, 0.9)))
            await asyncio.sleep(0.05)
        await asyncio.sleep(8.0)

    async def junk(self, loop: asyncio.AbstractEventLoop) -> None:
        """Bytes that mean nothing, from everybody, the console's address included."""
        for _ in range(40):
            data = self.random.choice((*JUNK, self.random.randbytes(self.random.randint(1, 60))))
            self.heard(self.random.randrange(3), [(data, ("192.0.2.1", 1))])
            if not self.kind.midi:
                self.cable.bridge_end.inbox([(self.random.choice(JUNK), "console")])
            await asyncio.sleep(self.random.choice((0.0, 0.02)))

    async def full_disk(self, loop: asyncio.AbstractEventLoop) -> None:
        """For a time nothing can be written."""
        journal: Any = self.daemon.house.journal
        copies = journal._copies
        if copies is None:
            return

        def full() -> None:
            raise OSError(28, "No space left on device")

        copies._write = full
        for _ in range(10):
            self._gesture()
            await asyncio.sleep(0.5)
        with contextlib.suppress(AttributeError):
            del copies._write


FAULTS: dict[str, Callable[[Evening, asyncio.AbstractEventLoop], Coroutine[Any, Any, None]]] = {
    "console": Evening.console_fault,
    "killed": Evening.killed,
    "power cut": Evening.power_cut,
    "damaged journal": Evening.damaged_journal,
    "stood still": Evening.stood_still,
    "flood": Evening.flooded,
    "junk": Evening.junk,
    "full disk": Evening.full_disk,
}
"""What breaks."""
