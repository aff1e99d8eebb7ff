"""A whole bridge on the virtual clock: real daemon, lossy cable, console stand-in, busy hands."""

from __future__ import annotations

import asyncio
import contextlib
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from bridge.console.kept import Journal
from bridge.daemon import Daemon
from bridge.house import console_words
from bridge.maps.load import parse_map
from bridge.maps.model import MapFile
from bridge.rig.rig import Rig, parse_rig
from bridge.simulator import clock
from bridge.simulator.facts import Road, facts_from
from bridge.simulator.findings import Findings
from bridge.simulator.link import cable
from bridge.simulator.network import LossyNetwork
from bridge.simulator.recording import header_of, note, settled
from bridge.simulator.server import Console
from bridge.simulator.stand_in import StandIn, random_levels
from bridge.simulator.witness import judge
from bridge.wire import osc

MAPPINGS = Path(__file__).parents[2] / "mappings"

RIG = """
[rig]
name = "Ferry Lane, simulated"
[limits]
send_ceiling_db = 3
master_ceiling_db = 0
rise_db_per_s = 12
step_db = {step_db}
ramp_floor_db = -50
[[channel]]
id = "kick"
console = {channel1}
[[channel]]
id = "voice"
console = {channel2}
[[bus]]
id = "kit"
console = {bus1}
start_db = -30
auto_open = true
start_mix = {{ kick = -12 }}
[[bus]]
id = "front"
console = {bus2}
tap = "post"
rise_db_per_s = 6
master_ceiling_db = -4.7
[[bus]]
id = "side"
console = {bus3}
send_ceiling_db = -1.3
[[performer]]
id = "ines"
buses = ["kit"]
send_ceiling_db = -6
[[performer]]
id = "maud"
buses = ["front", "side"]
[[controller]]
id = "ines-tablet"
hands = "ines"
map = "tablet.toml"
listen = "udp://:9311"
source = "192.0.2.1"
[[controller]]
id = "maud-tablet"
hands = "maud"
map = "tablet.toml"
listen = "udp://:9311"
source = "192.0.2.2"
[[controller]]
id = "page"
hands = "engineer"
map = "engineer-panel.toml"
listen = "udp://:9311"
source = "192.0.2.3"
[console]
map = "{console}"
{road}
readback = {readback}
delay_s = {delay_s}
answer_s = 1.0
channel_mute_cuts = ["post"]
"""

STAGE = """
[stage]
margin_db = 6
when_over = "{when_over}"
[[microphone]]
channel = "kick"
at = [1.0, 1.5, 0.3]
aim_at = [1.0, 1.8, 0.3]
pattern = "cardioid"
nominal_spl_db = 100
[[microphone]]
channel = "voice"
at = [0.0, 0.0, 1.6]
aim_at = [0.0, 0.1, 1.6]
pattern = "supercardioid"
nominal_spl_db = 90
[[loudspeaker]]
id = "drum-wedge"
bus = "kit"
active = true
at = [1.8, 1.6, 0.2]
aim_at = [1.0, 2.2, 1.2]
spl_1m_db = 124
[[loudspeaker]]
id = "front-wedge"
bus = "front"
active = true
at = [0.2, -1.0, 0.2]
aim_at = [0.0, 0.3, 1.6]
spl_1m_db = 124
[[loudspeaker]]
id = "side-fill"
bus = "side"
kind = "side fill"
active = true
at = [-2.0, 0.5, 1.8]
aim_at = [0.0, 0.5, 1.5]
spl_1m_db = 120
max_spl_db = 120
[[ear]]
performer = "maud"
at = [0.0, 0.25, 1.65]
most_db = 106
"""
"""A stage so loud that its margin is nearer than every other limit."""


@dataclass(frozen=True)
class Kind:
    """A kind of console and road."""

    console: str
    readback: bool = True
    midi: bool = False
    step_db: float = 1.0
    wire_bytes_per_s: float = float("inf")
    names: tuple[str, ...] = ("1", "2", "1", "2", "3")


# MIDI wires run 1 % slow here, the worst that IEC 63035:2017 allows of 31,250 baud.
KINDS = {
    "position": Kind("console-osc-position.toml"),
    "blind": Kind("console-osc-position.toml", readback=False),
    "midi": Kind("console-midi-7bit.toml", readback=False, midi=True, wire_bytes_per_s=3093.75),
    "sysex": Kind("console-midi-sysex.toml", midi=True, wire_bytes_per_s=3093.75),
    "nrpn": Kind("console-midi-nrpn.toml", midi=True, wire_bytes_per_s=3093.75),
}


class Outside:
    """The daemon's links: a simulated cable to the console, controllers that the test plays."""

    def __init__(self, console: Any, controllers: int) -> None:
        self.console = console
        self.shown: list[bytes] = []
        self.replies: list[Callable[[bytes], bool]] = [
            lambda data: self.shown.append(data) is None
        ] * controllers

    @property
    def links(self) -> list[Any]:
        return [self.console]


@dataclass
class Run:
    """One seeded run."""

    seed: int
    kind: Kind
    seconds: float = 600.0
    loss: float = 0.04
    delay_s: float = 0.04
    faults: bool = True
    stage: str = ""
    lines: list[dict[str, Any]] = field(default_factory=list)
    sabotage: Callable[[Daemon], None] = lambda daemon: None

    def __post_init__(self) -> None:
        self.random = random.Random(self.seed)
        kind, names = self.kind, self.kind.names
        road = 'midi = "Desk"' if kind.midi else 'send = "udp://192.0.2.10:9000"'
        self.rig: Rig = parse_rig(
            RIG.format(
                console=kind.console,
                readback=str(kind.readback).lower(),
                road=road,
                delay_s=self.delay_s,
                step_db=kind.step_db,
                **dict(zip(("channel1", "channel2", "bus1", "bus2", "bus3"), names, strict=True)),
            )
            + self.stage,
            str(MAPPINGS / "simulated.toml"),
        )
        names_used = {self.rig.file.console.map, "tablet.toml", "engineer-panel.toml"}
        self.maps: dict[str, MapFile] = {
            name: parse_map((MAPPINGS / name).read_text(), name) for name in names_used
        }

    def judged(self) -> Findings:
        """Run on the virtual clock and ask the witness."""
        clock.run(self._main())
        return judge(self.lines)

    async def _main(self) -> None:
        loop = asyncio.get_running_loop()
        rig, kind = self.rig, self.kind
        far = console_words(rig, self.maps[rig.file.console.map], at_console=True)
        near = console_words(rig, self.maps[rig.file.console.map])
        before = random_levels(rig.layout, sorted(far.can_set), self.seed)
        self.stand_in = StandIn(far, rig.layout, self.lines.append, power_on=before)
        news_s = 0.6 + 2 * rig.file.console.answer_s
        road = Road(delay_s=self.delay_s, news_s=news_s)
        facts = facts_from(rig, near, self.stand_in.values, road)
        self.lines.insert(0, header_of(facts))
        self.network = LossyNetwork(
            self.seed, loss=0.0 if kind.midi else self.loss, double=0.0 if kind.midi else 0.02,
            delay_s=(0.001, 0.003 if kind.midi else self.delay_s),
            reorder=0.0 if kind.midi else 0.5)  # fmt: skip
        back = LossyNetwork(
            self.seed + 1, loss=0.0 if kind.midi else self.loss,
            delay_s=(0.001, 0.003 if kind.midi else self.delay_s),
            reorder=0.0 if kind.midi else 0.5)  # fmt: skip
        self.cable = cable(
            self.network, back, reliable=kind.midi, wire_bytes_per_s=kind.wire_bytes_per_s
        )
        self.console = Console(self.stand_in)
        self.console.attach(self.cable.console_end)
        await self.cable.console_end.open()
        self.daemon = self._bridge()
        bridge = loop.create_task(self.daemon.run(), name="bridge")
        try:
            await self._play(loop)
            await self._arrive(loop)
        finally:
            bridge.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await bridge

    def _bridge(self, journal: Journal | None = None) -> Daemon:
        """A bridge at this console."""
        daemon = Daemon(self.rig, self.maps, self._outside, journal)
        self.sabotage(daemon)
        return daemon

    def _outside(self, rig: Rig, console_heard: Any, heard: Any, changed: Any) -> Outside:
        self.heard = heard
        end = self.cable.bridge_end
        end.inbox = console_heard
        end.changed = lambda state: changed("console", state)
        return Outside(end, len(rig.file.controller))

    async def _arrive(self, loop: asyncio.AbstractEventLoop) -> None:
        until_s = loop.time() + 60.0
        while loop.time() < until_s:
            await asyncio.sleep(0.5)
            if self.daemon.house.rests() and self.daemon.house.console.state == "live":
                break
        await asyncio.sleep(1.0)
        self.lines.append(settled(loop.time(), self.daemon.house.expected()))

    # -- hands ----------------------------------------------------------------------------------

    def say(self, number: int, address: str, tags: str = "", *values: float) -> None:
        """A controller says something."""
        now_s = asyncio.get_running_loop().time()
        self.lines.append(note(now_s, "person"))
        if number == 2:
            self.lines.append(note(now_s, "allowed_open"))
        self.heard(number, [(osc.encode(address, tags, values), ("192.0.2.1", 1))])

    async def _play(self, loop: asyncio.AbstractEventLoop) -> None:
        """Spells of many gestures, rests, and a fault now and then."""
        hands = self.random
        await asyncio.sleep(8.0)
        while loop.time() < self.seconds - 45:
            for _ in range(hands.randint(3, 25)):
                self._gesture()
                await asyncio.sleep(hands.choice((0.0, 0.003, 0.02, 0.1, 0.4)))
            await asyncio.sleep(hands.uniform(5.0, 45.0))
            if self.faults and hands.random() < 0.35:
                await self._fault(loop)

    def _gesture(self) -> None:
        hands = self.random
        number, row = hands.choice((0, 1, 2)), hands.randint(1, 2)
        if number < 2:
            address, tags, value = hands.choice((
                (f"/my/{row}/level", "f", hands.random()),
                (f"/my/{row}/level", "f", hands.random()),
                ("/my/*/level", "f", hands.choice((0.2, 0.9, 1.0))),
                (f"/my/{row}/on", "i", hands.randint(0, 1)),
                ("/my/wheel", "i", hands.choice((-8, -1, 1, 5))),
                ("/my/master", "f", hands.random()),
                (f"/my/{row}/pan", "f", hands.random()),
            ))  # fmt: skip
            self.say(number, address, tags, value)
            return
        bus = hands.randint(1, 3)
        address, value = hands.choice((
            (f"/mix/{bus}/open", hands.choice((0, 1, 1, 1))), (f"/mix/{bus}/open", 1),
            (f"/mix/{bus}/mute", hands.randint(0, 1)), (f"/mix/{bus}/dim", hands.randint(0, 1)),
            (f"/mix/{bus}/of/{row}/on", 1), ("/quiet", hands.choice((1, 0, 0, 0))),
            ("/hold/1", hands.choice((0, 0, 1))),
        ))  # fmt: skip
        self.say(2, address, "i", value)

    async def _fault(self, loop: asyncio.AbstractEventLoop) -> None:
        hands = self.random
        what = hands.choice(("desk", "desk", "restart", "dark"))
        if what == "desk" and self.kind.readback:
            slots = sorted(self.stand_in._words.can_set)
            slot = hands.choice(slots)
            value = random_levels(self.rig.layout, [slot], hands.randrange(10**6))[slot]
            self.console.move(slot, value)
        elif what == "restart" and self.kind.readback:
            fresh = random_levels(
                self.rig.layout, sorted(self.stand_in._words.can_set),
                hands.randrange(10**6))  # fmt: skip
            self.stand_in.restart(loop.time(), fresh, down_s=3.0)
        else:
            self.lines.append(note(loop.time(), "lost"))
            self.cable.bridge_end.pull()
            await asyncio.sleep(hands.uniform(0.5, 20.0))
            self.cable.bridge_end.plug()
        await asyncio.sleep(12.0)
