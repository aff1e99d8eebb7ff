"""A whole soundcheck on the virtual clock: real daemon, cable, console stand-in, air that rings."""

from __future__ import annotations

import asyncio
import dataclasses
import math
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from sound_stage import STAGE
from support.whole import MAPPINGS, Outside

from bridge.daemon import Daemon
from bridge.errors import Fault
from bridge.house import console_words
from bridge.maps.load import parse_map
from bridge.rig.layout import Parameter
from bridge.rig.rig import parse_rig
from bridge.simulator import clock
from bridge.simulator.air import Air
from bridge.simulator.facts import Road, facts_from
from bridge.simulator.findings import Findings
from bridge.simulator.link import cable
from bridge.simulator.mixing import Mixing
from bridge.simulator.network import LossyNetwork
from bridge.simulator.recording import header_of, note, settled
from bridge.simulator.server import Console
from bridge.simulator.stand_in import StandIn, random_levels
from bridge.simulator.witness import judge
from bridge.soundcheck.marks import Book, MarksError
from bridge.soundcheck.marks_file import Edit
from bridge.soundcheck.session import Person, Session

LOUD = STAGE.replace("spl_1m_db = 100", "spl_1m_db = 120", 1).replace("= 100\nat", "= 125\nat")
"""Both microphones ring in the front wedge, the voice alone in the drummer's."""
LOOK_S = 0.1
LATE_S = 600.0
"""No soundcheck of four pairs takes so long: the end of the keys."""
HAND_S = 0.4
"""From hearing a ring to the key."""

ANSWERS = (
    ("Every microphone has been tested", "quit"),
    ("`restore` brings", "quit"),
    ("`go` to test it", "go"),
    ("`go` raises it", "go"),
    ("Marked:", "next"),
    ("Clear:", "next"),
)


class Evening:
    """One soundcheck from the first word to the last.

    Args:
        console: The console's map.
        readback: Whether it can be read.
        midi: Whether it hangs on a MIDI wire.
        loss: Share of datagrams lost.
        book: Marks from before.
        answers: What the person says to which text.
    """

    def __init__(
        self,
        console: str = "console-osc-position.toml",
        *,
        readback: bool = True,
        midi: bool = False,
        loss: float = 0.0,
        book: Book | None = None,
        answers: tuple[tuple[str, str | None], ...] = ANSWERS,
        text: str = LOUD,
    ) -> None:
        road = 'midi = "Desk"' if midi else 'send = "udp://192.0.2.10:9000"'
        text = text.replace("none.toml", console).replace('send = "udp://192.0.2.10:9000"', road)
        text = text.replace("[stage]", f"readback = {str(readback).lower()}\n[stage]")
        self.rig = parse_rig(text, str(MAPPINGS / "nowhere.toml"))
        self.maps = {console: parse_map((MAPPINGS / console).read_text(), console)}
        self.midi, self.loss = midi, loss
        self.book = book or Book("marks")
        self.answers, self.texts = answers, [""]
        self.lines: list[dict[str, Any]] = []
        self.air = Air(self.rig)
        self.rang: list[tuple[int, int, float]] = []
        self.kept: list[Edit] = []
        self.on_text: Callable[[str], None] = lambda text: None
        self.fails = 0
        self.pan = 0.0

    def ring_db(self, channel: int, bus: int) -> float:
        return self.air.ring_level_db(channel, bus)[0]

    def run(self) -> bool:
        return bool(clock.run(self._main()))

    async def _main(self) -> bool:
        self.loop = asyncio.get_running_loop()
        rig, words = self.rig, self.maps[self.rig.file.console.map]
        far, near = console_words(rig, words, at_console=True), console_words(rig, words)
        before = random_levels(rig.layout, sorted(far.can_set), 7)
        before |= dict.fromkeys(rig.layout.slots(Parameter.SEND_PAN), self.pan)
        self.stand_in = StandIn(far, rig.layout, self.lines.append, power_on=before)
        facts = facts_from(rig, near, self.stand_in.values, Road(delay_s=0.05, news_s=3.0))
        self.facts = dataclasses.replace(facts, stage=None)  # one pair may pass it, by design
        self.lines.insert(0, header_of(self.facts))
        self.mixing = Mixing(self.facts)
        reorder = 0.0 if self.midi else 0.5
        there, back = (
            LossyNetwork(seed, loss=self.loss, delay_s=(0.001, 0.005), reorder=reorder)
            for seed in (1, 2)
        )
        pace = 3125 if self.midi else math.inf
        self.cable = cable(there, back, reliable=self.midi, wire_bytes_per_s=pace)
        console = Console(self.stand_in)
        console.attach(self.cable.console_end)
        await self.cable.console_end.open()
        self.typed: asyncio.Queue[str | None] = asyncio.Queue()
        stamp = datetime(2025, 3, 1, 18, 0, tzinfo=UTC)
        person = Person("Ruth", self._told, self._keep, lambda: stamp)
        daemon = Daemon(rig, self.maps, self._outside)
        self.session = Session(daemon, person, self.book)
        ears = self.loop.create_task(self._listen(), name="ears")
        well = await self.session.run(self.typed)
        ears.cancel()
        await asyncio.sleep(1.0)
        self.lines.append(settled(self.loop.time(), daemon.house.expected()))
        return well

    def findings(self) -> Findings:
        return judge(self.lines)

    def loudest_db(self) -> float:
        return max(max(row) for row in self.mixing.all_db(self.stand_in.values))

    def _outside(self, rig: Any, console_heard: Any, heard: Any, changed: Any) -> Outside:
        end = self.cable.bridge_end
        end.inbox = console_heard
        end.changed = lambda state: changed("console", state)
        return Outside(end, len(rig.file.controller))

    async def _keep(self, edit: Edit) -> None:
        await asyncio.sleep(0.2)  # a slow disk
        if self.fails:
            self.fails -= 1
            raise MarksError([Fault("marks", "no room", "some")])
        self.kept.append(edit)

    # -- the person -----------------------------------------------------------------------------

    def type(self, line: str | None) -> None:
        self.lines.append(note(self.loop.time(), "person"))
        self.lines.append(note(self.loop.time(), "allowed_open"))
        self.typed.put_nowait(line)

    def _told(self, text: str) -> None:
        self.texts.append(text)
        self.on_text(text)
        for part, answer in self.answers:
            if part in text:
                self.loop.call_later(0.3, self.type, answer)
                return

    async def _listen(self) -> None:
        """Ears: hear what rings in this air, and press the key a moment later, once a ring."""
        heard = False
        while self.loop.time() < LATE_S:
            await asyncio.sleep(LOOK_S)
            levels = self.mixing.all_db(self.stand_in.values)
            pans = self.mixing.pans(self.stand_in.values)
            ringing = self.air.ringing(levels, pans) if max(map(max, levels)) > -40.0 else []
            if ringing and not heard:
                channel, bus, hz = ringing[0]
                self.rang.append((channel, bus, levels[channel][bus]))
                self.loop.call_later(HAND_S, self.type, f"ring {hz:.0f}")
            heard = bool(ringing)
        self.type(None)
