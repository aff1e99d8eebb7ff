"""A running bridge with pages, on a console stand-in behind a simulated cable. Real time."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from pathlib import Path
from types import TracebackType
from typing import Any

import aiohttp

from bridge.daemon import Daemon
from bridge.house import console_words
from bridge.maps.load import parse_map
from bridge.pages.passphrase import hashed
from bridge.pages.server import Pages
from bridge.rig.layout import Parameter
from bridge.rig.rig import Rig, parse_rig
from bridge.simulator.link import cable
from bridge.simulator.network import perfect
from bridge.simulator.server import Console
from bridge.simulator.stand_in import StandIn

MAPPINGS = Path(__file__).parents[2] / "mappings"
DEMO = (MAPPINGS / "rigs" / "demo.toml").read_text(encoding="utf-8")
PASSPHRASE = "low tide at half past nine"
SECRET = hashed(PASSPHRASE, b"Ferry Lane room2")
"""Salted with something fixed, so that it is worked out once; a real one has a salt of chance."""

PAGES = f"""
[pages]
listen = "127.0.0.1:{{port}}"
engineer = "{SECRET}"
"""


def paged_rig(folder: Path, *, port: int = 0, text: str = DEMO, pages: str = PAGES) -> Rig:
    """The demo's rig with pages, as if it stood in a folder of the test's own."""
    bare = text.split("[pages]")[0]
    return parse_rig(bare + pages.format(port=port), str(folder / "ferry-lane.toml"))


class Outside:
    """The daemon's links: a simulated cable to the console, and controllers that say nothing."""

    def __init__(self, console: Any, controllers: int) -> None:
        self.console = console
        self.replies = [lambda data: True] * controllers

    @property
    def links(self) -> list[Any]:
        return [self.console]


class Paged:
    """A bridge with pages: ``async with Paged(rig) as bridge``.

    Attributes:
        daemon: The bridge.
        pages: Its pages.
        base: Their address.
    """

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        names = {rig.file.console.map, *(c.map for c in rig.file.controller)}
        self.maps = {
            name: parse_map((MAPPINGS / "rigs" / name).read_text(encoding="utf-8"), name)
            for name in names
        }
        self.console_says: list[Any] = []
        self._stack = contextlib.AsyncExitStack()

    async def __aenter__(self) -> Paged:
        rig = self.rig
        far = console_words(rig, self.maps[rig.file.console.map], at_console=True)
        self.stand_in = StandIn(far, rig.layout, self.console_says.append)
        self.cable = cable(perfect(), perfect(), reliable=False)
        self.console = Console(self.stand_in)
        self.console.attach(self.cable.console_end)
        await self.cable.console_end.open()
        # Pages are served here, and a watcher's port would be shared by tests side by side.
        quiet = rig.file.daemon.model_copy(update={"watch": None})
        bare = rig.file.model_copy(update={"pages": None, "daemon": quiet})
        self.daemon = Daemon(Rig(bare, rig.where, rig.layout, rig.text), self.maps, self._outside)
        self.daemon.house.rig = rig
        opened = asyncio.Event()
        self._bridge = asyncio.get_running_loop().create_task(self.daemon.run(opened.set))
        waiter = asyncio.get_running_loop().create_task(opened.wait())
        await asyncio.wait([self._bridge, waiter], return_when=asyncio.FIRST_COMPLETED)
        if self._bridge.done():
            waiter.cancel()
            self._bridge.result()
        self.pages = Pages(self.daemon, rig)
        try:
            await self._stack.enter_async_context(self.pages.serve())
        except BaseException:
            await self._end()
            raise
        self.base = f"http://127.0.0.1:{self.pages.port}"
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        problem: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self._stack.aclose()
        await self._end()

    async def _end(self) -> None:
        self._bridge.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self._bridge
        self.console.close()

    def _outside(self, rig: Rig, console_heard: Any, heard: Any, changed: Any) -> Outside:
        end = self.cable.bridge_end
        end.inbox = console_heard
        end.changed = lambda state: changed("console", state)
        return Outside(end, len(rig.file.controller))

    # -- shorthands -----------------------------------------------------------------------------

    @property
    def engine(self) -> Any:
        return self.daemon.house.engine

    def slot(self, parameter: Parameter, channel: str = "", bus: str = "") -> int:
        """A slot by names."""
        layout = self.rig.layout
        return layout.slot(
            parameter,
            layout.channels.index(channel) if channel else -1,
            layout.buses.index(bus) if bus else -1,
        )

    def send(self, channel: str, bus: str) -> int:
        return self.slot(Parameter.SEND_LEVEL, channel, bus)

    def asked(self, slot: int) -> float:
        return float(self.engine.matrix.asked[slot])

    async def until(self, true: Any, seconds: float = 10.0) -> None:
        """Wait until something is true, or fail."""
        async with asyncio.timeout(seconds):
            while not true():
                await asyncio.sleep(0.01)

    async def running(self) -> None:
        """Wait until the start is over."""
        await self.until(self.engine.running)

    def code(self, who: str) -> str:
        """A code to join with, as the engineer's page would make it."""
        return self.pages.codes.make(who, asyncio.get_running_loop().time())

    def wish(self, slot: int, value: float, who: int = -1) -> Any:
        """A wish from somewhere else in the house."""
        now_s = asyncio.get_running_loop().time()
        verdict = self.daemon.house.controllers.wish("tablet", who, slot, 0, value, now_s)
        self.daemon.wished()
        return verdict


class Browser:
    """As much of a browser as the protocol needs: cookies, origin, JSON."""

    def __init__(self, bridge: Paged) -> None:
        self.bridge, self.base = bridge, bridge.base
        self.session = aiohttp.ClientSession(cookie_jar=aiohttp.CookieJar(unsafe=True))
        self.own = {"Origin": self.base}

    async def __aenter__(self) -> Browser:
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.session.close()

    async def post(self, path: str, data: Any, **headers: str) -> tuple[int, Any]:
        async with self.session.post(
            self.base + path, json=data, headers={**self.own, **headers}
        ) as answer:
            kind = answer.content_type
            return answer.status, await (
                answer.json() if kind == "application/json" else answer.text()
            )

    async def join(self, who: str) -> None:
        status, said = await self.post("/join", {"code": self.bridge.code(who)})
        assert status == 200, said

    async def sign_in(self, passphrase: str = PASSPHRASE) -> int:
        return (await self.post("/sign-in", {"passphrase": passphrase}))[0]

    @contextlib.asynccontextmanager
    async def page(self, name: str = "mine") -> AsyncIterator[Page]:
        """An open page."""
        async with self.session.ws_connect(
            f"{self.base}/talk/{name}", headers=self.own, max_msg_size=0
        ) as ws:
            yield Page(ws)


class Page:
    """The far end of a page's WebSocket.

    Attributes:
        plan: What stays as it is.
        values: The latest values.
        frames: How many messages came.
    """

    def __init__(self, ws: aiohttp.ClientWebSocketResponse) -> None:
        self.ws = ws
        self.plan: dict[str, Any] = {}
        self.values: dict[str, Any] = {}
        self.frames = 0

    async def say(self, *words: Any) -> None:
        await self.ws.send_json(list(words))

    async def take(self) -> bool:
        """Take one message; False when the page was closed."""
        message = await self.ws.receive()
        if message.type is not aiohttp.WSMsgType.TEXT:
            return False
        data = message.json()
        self.frames += 1
        self.plan = data.get("plan", self.plan)
        self.values.update(data.get("new", {}))
        return True

    async def until(self, true: Any, seconds: float = 5.0) -> None:
        """Take messages until something is true of the values."""
        async with asyncio.timeout(seconds):
            while not true(self.values):
                assert await self.take(), f"closed: {self.ws.close_code}"

    async def closed(self, seconds: float = 5.0) -> int | None:
        """Wait until the bridge closes the page; its code."""
        async with asyncio.timeout(seconds):
            while await self.take():
                pass
        return self.ws.close_code
