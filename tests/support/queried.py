"""A running bridge with discovery, on a console stand-in behind a simulated cable. Real time."""

from __future__ import annotations

import asyncio
import contextlib
from pathlib import Path
from types import TracebackType
from typing import Any

import aiohttp

from bridge.daemon import Daemon
from bridge.house import House, Roads, console_words
from bridge.maps.load import parse_map
from bridge.maps.model import MapFile
from bridge.oscquery.server import Discovery
from bridge.oscquery.space import Space
from bridge.rig.layout import Parameter
from bridge.rig.rig import Rig, parse_rig
from bridge.simulator.link import cable
from bridge.simulator.network import perfect
from bridge.simulator.server import Console
from bridge.simulator.stand_in import StandIn

MAPPINGS = Path(__file__).parents[2] / "mappings"
CONSOLE = MAPPINGS / "console-osc-position.toml"

RIG = f"""
[rig]
name = "Ferry Lane, room 2"
[limits]
send_ceiling_db = 3
master_ceiling_db = 0
[[channel]]
id = "kick"
console = 1
[[channel]]
id = "accordion"
label = "Accordion"
console = 2
[[bus]]
id = "kit"
label = "Ines"
console = 1
start_db = -30
auto_open = true
start_mix = {{ accordion = -20 }}
[[bus]]
id = "front"
console = 2
start_db = -30
[[performer]]
id = "ines"
name = "Ines"
buses = ["kit"]
send_ceiling_db = -3
[engineer]
name = "Ruth"
[[controller]]
id = "tablet"
hands = "ines"
map = "{MAPPINGS}/tablet.toml"
listen = "udp://:9311"
source = "192.0.2.20"
[[controller]]
id = "panel"
hands = "engineer"
map = "{MAPPINGS}/engineer-panel.toml"
listen = "tcp://127.0.0.1:9310"
source = "192.0.2.21"
[console]
map = "{CONSOLE}"
send = "udp://192.0.2.10:9000"
listen = "udp://:9001"
"""

DISCOVERY = """
[discovery]
controller = "tablet"
listen = "127.0.0.1:0"
announce = false
"""


def queried_rig(*, discovery: str = DISCOVERY, text: str = RIG) -> Rig:
    return parse_rig(text + discovery, "ferry-lane.toml")


def maps_of(rig: Rig, **more: str) -> dict[str, MapFile]:
    """The maps of a rig; ``more`` are texts in place of files, by name without its ending."""
    names = {rig.file.console.map, *(c.map for c in rig.file.controller)}
    texts = {f"{name}.toml": text for name, text in more.items()}
    return {n: parse_map(texts.get(n) or Path(n).read_text(encoding="utf-8"), n) for n in names}


def house_of(rig: Rig, maps: dict[str, MapFile]) -> House:
    """A house whose console takes everything and says nothing, just started."""
    take = [lambda data: True] * len(rig.file.controller)
    house = House(rig, maps, Roads(lambda data: True, take, reliable=True))
    house.engine.begin({}, 0.0)
    return house


def space_of(rig: Rig, number: int, **more: str) -> tuple[House, Space]:
    """What discovery tells of a controller, without a socket."""
    maps = maps_of(rig, **more)
    house = house_of(rig, maps)
    return house, Space(house, rig, number, maps[rig.file.controller[number].map])


class Outside:
    """The daemon's links: a simulated cable to the console, and controllers without a link."""

    def __init__(self, console: Any, controllers: int) -> None:
        self.console = console
        self.replies = [lambda data: True] * controllers

    @property
    def links(self) -> list[Any]:
        return [self.console]


class Queried:
    """A bridge that can be asked: ``async with Queried(rig) as bridge``.

    Attributes:
        daemon: The bridge.
        discovery: What answers.
        base: Its address.
    """

    def __init__(self, rig: Rig | None = None) -> None:
        self.rig = rig or queried_rig()
        self.maps = maps_of(self.rig)
        self._stack = contextlib.AsyncExitStack()
        self.heard: Any = None

    async def __aenter__(self) -> Queried:
        rig = self.rig
        far = console_words(rig, self.maps[rig.file.console.map], at_console=True)
        self.cable = cable(perfect(), perfect(), reliable=False)
        self.console = Console(StandIn(far, rig.layout, lambda word: None))
        self.console.attach(self.cable.console_end)
        await self.cable.console_end.open()
        bare = rig.file.model_copy(update={"discovery": None})
        self.daemon = Daemon(Rig(bare, rig.where, rig.layout, rig.text), self.maps, self._outside)
        opened = asyncio.Event()
        self._bridge = asyncio.get_running_loop().create_task(self.daemon.run(opened.set))
        await opened.wait()
        declared = rig.file.discovery
        assert declared is not None
        described = next(c for c in rig.file.controller if c.id == declared.controller)
        try:
            self.discovery = Discovery(self.daemon, rig, self.maps[described.map])
            await self._stack.enter_async_context(self.discovery.serve())
        except BaseException:
            await self._end()
            raise
        self.base = f"http://127.0.0.1:{self.discovery.port}"
        self.session = await self._stack.enter_async_context(aiohttp.ClientSession())
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
        self.heard = heard
        return Outside(end, len(rig.file.controller))

    # -- shorthands -----------------------------------------------------------------------------

    async def ask(self, path: str, **headers: str) -> tuple[int, Any]:
        """Ask for a path; its status, and its JSON or text."""
        async with self.session.get(self.base + path, headers=headers) as answer:
            if answer.content_type == "application/json":
                return answer.status, await answer.json()
            return answer.status, await answer.text()

    def listen(self) -> Any:
        """Open a WebSocket."""
        return self.session.ws_connect(self.base + "/", max_msg_size=0)

    def say(self, data: bytes, number: int = 0) -> None:
        """A controller says something, as its link would hand it on."""
        self.heard(number, [(data, ("192.0.2.20", 9000))])

    def send(self, channel: str, bus: str) -> int:
        layout = self.rig.layout
        places = layout.channels.index(channel), layout.buses.index(bus)
        return layout.slot(Parameter.SEND_LEVEL, *places)

    def asked(self, slot: int) -> float:
        return float(self.daemon.house.engine.matrix.asked[slot])

    async def until(self, true: Any, seconds: float = 10.0) -> None:
        """Wait until something is true, or fail."""
        async with asyncio.timeout(seconds):
            while not true():
                await asyncio.sleep(0.01)

    async def running(self) -> Queried:
        await self.until(self.daemon.house.engine.running)
        return self
