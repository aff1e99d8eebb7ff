"""Open pages, the scenes that they show, and the look that finds what changed. I/O."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections.abc import Callable
from typing import TYPE_CHECKING

from aiohttp import web

from bridge.guard.health import judged
from bridge.pages import client as codes_of
from bridge.pages.access import Codes, Pass, Passes
from bridge.pages.client import Client, keep_small
from bridge.pages.desk import Desk
from bridge.pages.hands import EngineerHands, Hands, Start
from bridge.pages.joining import Joining
from bridge.pages.lessons import Lessons
from bridge.pages.messages import ENGINEER_WORDS, HANDS, Said
from bridge.pages.own import OwnMix
from bridge.pages.scene import Scene, Talk
from bridge.pages.shelf import Shelf
from bridge.pages.tops import Tops
from bridge.rig.rig import ENGINEER, Rig

if TYPE_CHECKING:
    from bridge.pages.server import Bridge
    from bridge.pages.sounding import Sounding

log = logging.getLogger("foldbridge.pages")

LOOK_S, HASTE_S = 0.02, 0.005
"""Time between two looks while a page is open, and after a page has said something: with what it
takes to tell a page, every change is there within 50 ms."""

SHARE = 4.0
"""After a look that took long the loop rests this many times as long: a fifth of it at most."""

SLOW_S = 0.5
"""Time between two looks at what changes slowly, and at all levels in case one was missed."""

CELLS_AT_ONCE = 256
"""Levels looked at in one go, about half a millisecond; what moves must not wait for who looks."""

CLIENTS_MAX, CLIENTS_EACH = 64, 6
"""Pages open at once, and those with one token: a reconnect is there before the old one is gone."""


Deed = Callable[[Client, Said, float], str]
"""Does what a page says at a moment; in words what is not possible, "" otherwise."""


class Show:
    """All open pages.

    Args:
        bridge: The running bridge.
        rig: Its rig.
        passes: Tokens in force.
        codes: Codes that wait.
        keep: Writes the tokens down.

    Attributes:
        clients: Pages that are open.
        keep: Writes the tokens down.
        joining: Codes and devices.
    """

    def __init__(
        self, bridge: Bridge, rig: Rig, passes: Passes, codes: Codes, *, keep: Callable[[], None]
    ) -> None:
        self._bridge, self._rig, self._house = bridge, rig, bridge.house
        self._passes, self.keep = passes, keep
        self.clients: list[Client] = []
        self.joining = Joining(rig, passes, codes, clients=self.clients, ended=self._ended)
        self._shelf = Shelf(bridge, rig, self.clients)
        self._sounding = self._on_stage()
        self._lessons = Lessons(bridge, rig)
        self._scenes: dict[int, Scene] = {}
        self._hands: dict[int, Hands] = {}
        self._start = Start(self._house)
        self._talk = Talk(self._house.controllers, rig.person)
        self._anyone, self._said = asyncio.Event(), asyncio.Event()
        self._closing: set[asyncio.Task[None]] = set()
        self._slow_s = 0.0
        self._seen: tuple[list[float], ...] = ()
        self._causes: set[str] = set()
        self._moving: dict[int, list[list[str]]] = {}
        self._deeds: dict[str, Deed] = {
            "grip": self._grip, "answer": self._answer, "limit": self._limit,
            "code": self.joining.make_code, "revoke": self.joining.revoke,
            "learn": self._lessons.heard,
            **dict.fromkeys(self._shelf.words, self._shelf.heard),
        }  # fmt: skip
        if self._sounding is not None:
            self._deeds |= {"sound": self._sounding.heard, "here": self._sounding.here}

    def _on_stage(self) -> Sounding | None:
        """The soundcheck, where there is a stage: numpy is loaded for nothing else."""
        if self._rig.file.stage is None:
            return None
        from bridge.pages.sounding import Sounding

        return Sounding(self._bridge, self._rig)

    # -- the look -------------------------------------------------------------------------------

    async def run(self) -> None:
        """Look for what changed while anybody shows it, until cancelled."""
        loop = asyncio.get_running_loop()
        while True:
            began_s = loop.time()
            try:
                await self._look(began_s)
            except Exception as problem:  # a page may never take the bridge down with it
                self._tell_once(problem)
            await self._rest(loop.time() - began_s)
            if not self.clients and self._start.known:
                self._anyone.clear()
                await self._anyone.wait()

    async def _rest(self, took_s: float) -> None:
        """Rest until the next look; a page that says something makes it come sooner."""
        await asyncio.sleep(max(HASTE_S, SHARE * took_s))
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(LOOK_S - HASTE_S - took_s):
                await self._said.wait()
        self._said.clear()

    def _tell_once(self, problem: Exception) -> None:
        cause = repr(problem)[:200]
        if cause not in self._causes and len(self._causes) < 50:
            self._causes.add(cause)
            log.exception("pages: a look failed (told once)")

    async def _look(self, now_s: float) -> None:
        self._start.look()
        shown = {id(c.scene): c.scene for c in self.clients}
        for number, _, verdict in self._talk.new():
            for scene in shown.values():
                if scene.who == verdict.who:
                    scene.told(number, verdict)
        self._put_hands(list(shown.values()), now_s)
        slow = now_s >= self._slow_s
        changed = self._changed() or slow
        if slow:
            self._slow_s = now_s + SLOW_S
            self._look_slowly(now_s)
        tops: Tops | None = None
        for scene in shown.values():
            scene.around(now_s)
            if scene.who == ENGINEER:
                self._put_procedures(scene, now_s)
            if scene.own_changed() or changed:
                tops = tops or Tops(self._house.engine)
                await self._fill(scene, tops)
        self._spread(list(shown.values()))

    def _put_hands(self, scenes: list[Scene], now_s: float) -> None:
        """Who moves what: only what is new, since most look on while a few move."""
        before, self._moving = self._moving, self._talk.hands(now_s)
        for slot, names in self._moving.items():
            if before.get(slot) != names:
                for scene in scenes:
                    scene.hands(slot, names)

    def _put_procedures(self, desk: Scene, now_s: float) -> None:
        """Where a soundcheck and a lesson stand."""
        desk.put("learn", self._lessons.picture(now_s))
        if self._sounding is not None:
            desk.put("sound", self._sounding.picture())
            desk.put("soundlines", self._sounding.lines)

    def _spread(self, scenes: list[Scene]) -> None:
        for scene in scenes:
            news = scene.news()
            for one in self.clients:
                if one.scene is scene:
                    one.show(news)

    async def _fill(self, scene: Scene, tops: Tops) -> None:
        """Look at every bus of a scene, and let others have the loop in between."""
        looked = 0
        for bus in scene.buses():
            scene.look(bus, tops)
            looked += self._house.engine.matrix.channels
            if looked >= CELLS_AT_ONCE:
                looked = 0
                await asyncio.sleep(0)

    def _changed(self) -> bool:
        """Whether any level or switch, or a limit for everybody, is not what it was."""
        engine = self._house.engine
        lists = engine.matrix.asked, engine.matrix.told, engine.ceilings.hard
        if self._seen and all(a == b for a, b in zip(lists, self._seen, strict=True)):
            return False
        self._seen = tuple(list(one) for one in lists)
        return True

    def _look_slowly(self, now_s: float) -> None:
        desk = self._scenes.get(ENGINEER)
        if isinstance(desk, Desk):
            desk.slowly(now_s)
        self._shelf.slowly()
        now_unix_s = time.time()
        for one in self.clients:
            if not self._passes.holds(one.serial, now_unix_s):
                self._close_soon(one, codes_of.OUT, "this device is signed out")

    # -- pages come and go ----------------------------------------------------------------------

    def scene_of(self, who: int) -> Scene:
        """What a performer, or the engineer (-1), is shown; made when it is wanted first."""
        scene = self._scenes.get(who)
        if scene is None:
            if who == ENGINEER:
                links = self._bridge.outside.links
                scene = Desk(self._house, links, self.joining.devices, self._ails)
            else:
                scene = OwnMix(self._house, who)
            self._scenes[who] = scene
        return scene

    def _ails(self) -> list[str]:
        """What is not well with the bridge."""
        return judged(self._bridge.guard.look())[1]

    def _hands_of(self, given: Pass, scene: Scene) -> Hands:
        """The hands of a device, which remember what they did while it is away."""
        for serial in [n for n in self._hands if n not in self._passes.all]:
            del self._hands[serial]
        hands = self._hands.get(given.serial)
        if hands is None:
            kind = EngineerHands if scene.who == ENGINEER else Hands
            assert isinstance(scene, Desk | OwnMix), "the two kinds that there are"
            road = f"page {given.serial}"
            hands = kind(self._house, scene.who, road, may=scene.may(), start=self._start)
            self._hands[given.serial] = hands
        return hands

    async def serve(
        self, ws: web.WebSocketResponse, transport: asyncio.WriteTransport, given: Pass, base: str
    ) -> None:
        """Serve one page until it goes.

        Args:
            ws: Its WebSocket, opened.
            transport: The connection below.
            given: The pass that it came with.
            base: The address by which it calls us, ``http://host:port``.
        """
        who = ENGINEER if given.who == "engineer" else self._rig.layout.performers.index(given.who)
        scene = self.scene_of(who)
        assert isinstance(scene, Desk | OwnMix), "the two kinds that there are"
        hands = self._hands_of(given, scene)
        one = Client(ws, scene, hands, serial=given.serial, transport=transport, heard=self._heard)
        same = [c for c in self.clients if c.serial == given.serial]
        if len(self.clients) >= CLIENTS_MAX or len(same) >= CLIENTS_EACH:
            await one.close(codes_of.FULL, "too many pages are open")
            return
        keep_small(transport)
        now_s = asyncio.get_running_loop().time()
        scene.around(now_s)
        await self._fill(scene, Tops(self._house.engine))
        if isinstance(scene, Desk):
            scene.slowly(now_s)
        self._moving = {}  # whoever comes is told all of it
        self.clients.append(one)
        self._anyone.set()
        one.own["undo"] = hands.undoes
        one.own["base"] = self.joining.address(base)
        plan = {
            **scene.plan(), "road": hands.road, "presets": self._shelf.there,
            "keeps": self._shelf.may_keep(who), "sounds": self._sounding is not None,
        }  # fmt: skip
        if who == ENGINEER:
            plan["learns"] = self._lessons.there
        teller = asyncio.get_running_loop().create_task(one.tell(plan), name=f"page {given.serial}")
        one.show(list(one.own))
        try:
            await one.listen()
        finally:
            teller.cancel()
            self.clients.remove(one)
            self._talk.grip(None, who, hands.road)
            with contextlib.suppress(asyncio.CancelledError, ConnectionError, RuntimeError):
                await teller

    def _close_soon(self, one: Client, code: int, words: str) -> None:
        task = asyncio.get_running_loop().create_task(one.close(code, words), name="closing")
        self._closing.add(task)
        task.add_done_callback(self._closing.discard)

    async def close(self) -> None:
        """Close every page: the bridge stops; what a soundcheck has up goes down first."""
        if self._sounding is not None:
            await self._sounding.close()
        await self._lessons.close()
        await self.joining.close()
        await self._shelf.close()
        for one in list(self.clients):
            self._close_soon(one, 1001, "the bridge stops")
        if self._closing:
            await asyncio.wait(list(self._closing), timeout=1.0)

    # -- what pages say -------------------------------------------------------------------------

    def _heard(self, one: Client, said: Said) -> str:
        """Do what a page says; in words what is not possible."""
        if said.word in ENGINEER_WORDS and one.hands.who != ENGINEER:
            return "only the engineer may do this"
        now_s = asyncio.get_running_loop().time()
        deed = self._deeds.get(said.word)
        words = one.hands.act(said, now_s) if deed is None else deed(one, said, now_s)
        (self._bridge.wished if said.word in HANDS else self._bridge.followed)()
        self._said.set()
        return words

    def _grip(self, one: Client, said: Said, _: float) -> str:
        slot = said.number if one.scene.shows(said.number) else None
        self._talk.grip(slot, one.hands.who, one.hands.road)
        return ""

    def _limit(self, one: Client, said: Said, _: float) -> str:
        assert isinstance(one.hands, EngineerHands), "looked at before"
        assert isinstance(one.scene, Desk), "an engineer's page"
        words = one.hands.limit(said.number, said.value, said.whom)
        if not words:
            one.scene.limited()
        return words

    def _answer(self, one: Client, said: Said, now_s: float) -> str:
        assert isinstance(one.hands, EngineerHands), "looked at before"
        answered = one.hands.answer(said.number, said.value > 0, now_s)
        if answered is None:
            return "this was answered already"
        scene = self._scenes.get(answered[0])
        if isinstance(scene, OwnMix):
            scene.answered(answered[1])
        return ""

    # -- tokens that end ------------------------------------------------------------------------

    def _ended(self, serial: int) -> None:
        """The engineer took a token out of force."""
        self.keep()
        self.out(serial)

    def out(self, serial: int) -> None:
        """A token is no longer in force: its pages are closed."""
        for one in self.clients:
            if one.serial == serial:
                self._close_soon(one, codes_of.OUT, "this device was signed out")
