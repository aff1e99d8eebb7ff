"""The demo: a rig on this machine, a console stand-in, players that move controls by OSC. I/O."""

from __future__ import annotations

import asyncio
import contextlib
import random
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from bridge.daemon import Daemon
from bridge.errors import Fault, LinkError, RigError
from bridge.house import console_words
from bridge.links.address import SocketAddress, parse_address
from bridge.loading import load, marks_of
from bridge.rig.model import Controller
from bridge.rig.rig import ENGINEER, Rig
from bridge.simulator.facts import Road, facts_from
from bridge.simulator.findings import Findings
from bridge.simulator.recording import header_of, note, settled
from bridge.simulator.server import Console
from bridge.simulator.stand_in import StandIn
from bridge.simulator.witness import judge
from bridge.wire import osc

GESTURE_S = 0.12
"""Longest time between two gestures of one player."""

SILENCE_EVERY_S = 20.0
"""The engineer silences everything this often, and lets it sound again."""


class Demo:
    """One run of the demo.

    Args:
        path: The rig; every address in it on the loopback.
        seed: What the players do.

    Attributes:
        lines: The recording, its header first.
        daemon: The bridge.
        gestures: How many messages the players sent.

    Raises:
        RigError, MapError: a rig that cannot be, or that cannot be played on this machine alone.
    """

    def __init__(self, path: Path, seed: int) -> None:
        self.rig, maps = load(path)
        rig = self.rig
        if faults := list(_unplayable(rig)):
            raise RigError(faults)
        self.random = random.Random(seed)
        self.lines: list[dict[str, Any]] = []
        self.gestures = 0
        far = console_words(rig, maps[rig.file.console.map], at_console=True)
        near = console_words(rig, maps[rig.file.console.map])
        self.stand_in = StandIn(far, rig.layout, self.lines.append)
        self._facts = facts_from(rig, near, self.stand_in.values, Road(delay_s=0.05, news_s=0.5),
                                 marks=marks_of(rig))  # fmt: skip
        self.daemon = Daemon(rig, maps)
        self.console = Console(self.stand_in)
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._ruth = next(
            number for number, one in enumerate(rig.file.controller)
            if rig.hands(one) == ENGINEER and _playable(one))  # fmt: skip

    async def run(self, seconds: float, ready: Callable[[], None]) -> Findings | None:
        """Play for a while, or until cancelled when ``seconds`` is 0; then ask the witness.

        Raises:
            LinkError: a port of the demo is taken.
        """
        loop = asyncio.get_running_loop()
        send = parse_address(self.rig.file.console.send or "", "console.send")
        assert isinstance(send, SocketAddress)
        try:
            await self.console.listen_udp(send.host, send.port)
        except OSError as error:
            found = f"the stand-in cannot listen at {self.rig.file.console.send}: {error.strerror}"
            raise LinkError("console", found, "stop what uses this port") from None
        self.lines.insert(0, header_of(self._facts, loop.time()))
        opened = asyncio.Event()
        bridge = loop.create_task(self.daemon.run(opened.set), name="bridge")
        try:
            await _first(bridge, opened)
            ready()
            await self._play(seconds, bridge)
            return self._ask_the_witness(loop.time())
        finally:
            bridge.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await bridge
            self.console.close()
            self._socket.close()

    async def _play(self, seconds: float, bridge: asyncio.Task[None]) -> None:
        players = [
            asyncio.create_task(self._player(number), name=f"player {number}")
            for number, controller in enumerate(self.rig.file.controller)
            if self.rig.hands(controller) != ENGINEER and _playable(controller)
        ]
        players += [asyncio.create_task(self._engineer()), asyncio.create_task(self._desk())]
        try:
            playing_s = max(0.0, seconds - self._quiet_s()) if seconds else None
            done, _ = await asyncio.wait(
                [bridge, *players], timeout=playing_s, return_when=asyncio.FIRST_COMPLETED
            )
            for task in done:
                task.result()
        finally:
            for player in players:
                player.cancel()
        await self._arrive()

    def _quiet_s(self) -> float:
        """Stillness at the end: a gate opens, the longest ramp arrives, the last word is said."""
        limits = self.rig.file.limits
        return (limits.send_ceiling_db - limits.ramp_floor_db) / limits.rise_db_per_s + 1.0

    async def _arrive(self) -> None:
        """Wait until every level is where it goes, as long as that may take."""
        loop = asyncio.get_running_loop()
        until_s = loop.time() + 2 * self._quiet_s()
        while not self.daemon.house.rests() and loop.time() < until_s:
            await asyncio.sleep(0.05)

    def _ask_the_witness(self, now_s: float) -> Findings:
        self.lines.append(settled(now_s, self.daemon.house.expected()))
        return judge(self.lines)

    # -- hands ----------------------------------------------------------------------------------

    def _say(self, number: int, address: str, tags: str = "", *values: float) -> None:
        where = self.rig.at(("controller", number, "listen"))
        listen = parse_address(self.rig.file.controller[number].listen or "", where, listen=True)
        assert isinstance(listen, SocketAddress)
        host = listen.host or "127.0.0.1"
        self._socket.sendto(osc.encode(address, tags, values), (host, listen.port))
        self.gestures += 1

    async def _player(self, number: int) -> None:
        """A performer at a tablet: slides a level, taps a button, turns a wheel."""
        hands = self.random
        channels = len(self.rig.file.channel)
        while True:
            await asyncio.sleep(hands.uniform(0.01, GESTURE_S))
            row = hands.randint(1, channels)
            what = hands.random()
            if what < 0.6:
                self._say(number, f"/my/{row}/level", "f", hands.random())
            elif what < 0.75:
                self._say(number, "/my/wheel", "i", hands.choice((-4, -1, 1, 2, 6)))
            elif what < 0.85:
                self._say(number, "/my/softer")
            elif what < 0.93:
                self._say(number, f"/my/{row}/pan", "f", hands.random())
            else:
                self._say(number, f"/my/{row}/on", "i", hands.randint(0, 1))

    async def _engineer(self) -> None:
        """The engineer: opens what is closed, rides masters, mutes, dims, silences, freezes."""
        hands, buses = self.random, len(self.rig.file.bus)
        loop = asyncio.get_running_loop()
        silence_s = loop.time() + SILENCE_EVERY_S / 2
        while True:
            await asyncio.sleep(hands.uniform(0.1, 8 * GESTURE_S))
            bus = hands.randint(1, buses)
            self.lines.append(note(loop.time(), "allowed_open"))
            self._say(self._ruth, f"/mix/{bus}/open", "i", 1)
            self._say(self._ruth, f"/mix/{bus}/level", "f", hands.uniform(0.3, 1.0))
            switch = hands.choice(("mute", "dim", "", ""))
            if switch:
                self._say(self._ruth, f"/mix/{bus}/{switch}", "i", hands.randint(0, 1))
            if hands.random() < 0.05:
                self._say(self._ruth, "/hold/1", "i", hands.randint(0, 1))
            if loop.time() >= silence_s:
                silence_s = loop.time() + SILENCE_EVERY_S
                self._say(self._ruth, "/quiet", "i", 1)
                await asyncio.sleep(1.0)
                self._say(self._ruth, "/quiet", "i", 0)

    async def _desk(self) -> None:
        """Somebody at the desk itself moves a fader now and then."""
        faders = [s for s in self._facts.can_set if self.daemon.house.engine.matrix.is_fader(s)]
        while True:
            await asyncio.sleep(self.random.uniform(1.0, 4.0))
            self.console.move(self.random.choice(sorted(faders)), self.random.uniform(-40, 0))


def _unplayable(rig: Rig) -> Iterator[Fault]:
    """What would leave this machine, and an engineer who cannot be played."""
    console = rig.file.console
    if not _is_here(console.send):
        key = "send" if console.midi is None else "midi"
        yield Fault(rig.at(("console", key)), repr(console.send or console.midi),
                    "udp://127.0.0.1:port: a demo stays on this machine")  # fmt: skip
    for number, one in enumerate(rig.file.controller):
        if one.reply is not None and not _is_here(one.reply):
            yield Fault(rig.at(("controller", number, "reply")), repr(one.reply),
                        "udp://127.0.0.1:port: a demo stays on this machine")  # fmt: skip
    if not any(rig.hands(one) == ENGINEER and _playable(one) for one in rig.file.controller):
        yield Fault(rig.at(("controller",)), "no UDP port of the engineer's on this machine",
                    'a controller with hands = "engineer", listen = "udp://127.0.0.1:port" and '
                    'source = "127.0.0.1"')  # fmt: skip


def _playable(controller: Controller) -> bool:
    """Whether datagrams from this machine are heard as this controller's."""
    return _is_here(controller.listen, listen=True) and _is_home(controller.source or "")


def _is_here(text: str | None, *, listen: bool = False) -> bool:
    """Whether an address is a UDP port of this machine; what cannot be read the links refuse."""
    if text is None:
        return False
    try:
        place = parse_address(text, "", listen=listen)
    except LinkError:
        return True
    if not isinstance(place, SocketAddress) or place.transport != "udp":
        return False
    return _is_home(place.host) or (listen and not place.host)


def _is_home(host: str) -> bool:
    return host in ("localhost", "::1") or host.startswith("127.")


async def _first(bridge: asyncio.Task[None], opened: asyncio.Event) -> None:
    """Wait until the bridge is ready, or pass on why it is not."""
    waiter = asyncio.ensure_future(opened.wait())
    await asyncio.wait([bridge, waiter], return_when=asyncio.FIRST_COMPLETED)
    waiter.cancel()
    if bridge.done():
        bridge.result()


def demo_rig() -> Path:
    """The demo's rig in the project's tree."""
    return Path(__file__).parent.parent / "mappings" / "rigs" / "demo.toml"
