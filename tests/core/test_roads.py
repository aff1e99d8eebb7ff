"""Who is heard on a rig's sockets, and where answers go: real sockets on this machine. I/O."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import pytest
from support.checked import RIG

from bridge.errors import LinkError
from bridge.links import senders
from bridge.links.base import Batch
from bridge.rig.rig import Rig, parse_rig
from bridge.roads import Roads

ONE = 'listen = "udp://:9371"\nsource = "192.0.2.21"\nreply = "udp://192.0.2.21:9471"'
TWO = 'listen = "udp://:9370"\nsource = "192.0.2.20"'
MESSAGE = b"/a\0\0,\0\0\0"


@dataclass
class Heard:
    """What two controllers were heard to say: their numbers."""

    numbers: list[int] = field(default_factory=list)

    def take(self, number: int, batch: Batch) -> None:
        self.numbers += [number] * len(batch)


@pytest.fixture
def hand() -> Iterator[socket.socket]:
    """A controller's socket at 127.0.0.1."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind(("127.0.0.1", 0))
        sock.setblocking(False)
        yield sock


@pytest.fixture
def port() -> int:
    """A port that was free a moment ago."""
    with socket.socket(socket.AF_INET6, socket.SOCK_DGRAM) as taken:
        taken.bind(("::", 0))
        return int(taken.getsockname()[1])


def rig(one: str, two: str = TWO) -> Rig:
    return parse_rig(RIG.replace(ONE, one).replace(TWO, two), "house.toml")


def roads_of(rig: Rig, heard: Heard) -> Roads:
    return Roads(rig, lambda batch: None, heard.take, lambda name, state: None)


async def said(roads: Roads, heard: Heard, hand: socket.socket, port: int) -> None:
    """The hand says one message at the first door, and it is heard, refused or lost."""
    door = roads.links[0]
    await door.open()
    try:
        hand.sendto(MESSAGE, ("127.0.0.1", port))
        async with asyncio.timeout(5.0):
            while not heard.numbers and not door.refused:
                await asyncio.sleep(0)
    finally:
        await door.close()


@pytest.mark.parametrize("listen", ["udp://:{}", "udp://127.0.0.1:{}", "udp://localhost:{}"])
@pytest.mark.parametrize(
    "source",
    ["localhost", "LOCALHOST", "127.0.0.1", "::ffff:127.0.0.1", "[::ffff:7f00:1]", "localhost:{}",
     "127.0.0.1:{}", "[::ffff:127.0.0.1]:{}"],
)  # fmt: skip
def test_a_controller_is_heard_by_its_host_s_name_and_by_every_spelling(
    listen: str, source: str, hand: socket.socket, port: int
) -> None:
    own = hand.getsockname()[1]
    heard = Heard()
    door = f'listen = "{listen.format(port)}"\nsource = '
    roads = roads_of(
        rig(f'{door}"192.0.2.21"', f'{door}"{source.format(own)}"'),
        heard,
    )
    asyncio.run(said(roads, heard, hand, port))
    assert heard.numbers == [1]


def test_who_sends_from_another_address_than_the_name_s_is_refused(
    hand: socket.socket, port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(senders.socket, "getaddrinfo", book({"page": ["192.0.2.20"]}))
    heard = Heard()
    roads = roads_of(rig(f'listen = "udp://:{port}"\nsource = "page"'), heard)
    asyncio.run(said(roads, heard, hand, port))
    assert heard.numbers == [] and roads.links[0].refused == 1


def book(known: dict[str, list[str]]) -> Any:
    """Look-up in a book of names instead of the network; numeric addresses stand for themselves."""

    def look_up(host: str, port: int | None, *_: Any, **__: Any) -> list[Any]:
        if host not in known and not set(host) <= set("0123456789abcdef.:"):
            raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")
        hosts = known.get(host, [host])
        return [(socket.AF_INET, socket.SOCK_DGRAM, 17, "", (each, 0)) for each in hosts]

    return look_up


def test_every_address_of_a_name_may_speak(
    hand: socket.socket, port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    names = {"page": ["2001:db8::5", "192.0.2.20", "::ffff:127.0.0.1"]}
    monkeypatch.setattr(senders.socket, "getaddrinfo", book(names))
    heard = Heard()
    roads = roads_of(rig(f'listen = "udp://:{port}"\nsource = "page"'), heard)
    asyncio.run(said(roads, heard, hand, port))
    assert heard.numbers == [0]


@pytest.mark.parametrize(
    ("one", "two", "said"),
    [
        (
            'listen = "udp://:9371"\nsource = "nobody"',
            TWO,
            "house.toml:28 controller.0.source: found 'nobody', a host that nobody knows (Name or "
            "service not known); expected a name that this machine can look up, or a numeric "
            "address, as in 192.0.2.20",
        ),
        (
            'listen = "udp://:9371"\nsource = "page"',
            'listen = "udp://:9371"\nsource = "192.0.2.20"',
            "house.toml:34 controller.1.source: found '192.0.2.20', which at udp://:9371 is "
            "ines-tablet; expected an address or a port of its own for each controller",
        ),
        (
            'listen = "udp://:9371"\nsource = "192.0.2.300"',
            TWO,
            "house.toml:28 controller.0.source: found '192.0.2.300'; expected 192.0.2.20, "
            "192.0.2.20:9000, [::1]:9000 or a host's name",
        ),
        (
            'listen = "midi:Foot"\nsource = "192.0.2.21"',
            TWO,
            "house.toml:27 controller.0.listen: found 'midi:Foot'; expected udp://host:port or "
            "tcp://host:port",
        ),
        (
            'listen = "udp://192.0.2.1:9371"\nsource = "page"\nreply = "udp://six:9471"',
            TWO,
            "house.toml:29 controller.0.reply: found 2001:db8::5; expected an address of the same "
            "kind as 192.0.2.1, where the bridge listens",
        ),
        (
            'listen = "udp://:9371"\nsource = "page"\nreply = "udp://nobody:9471"',
            TWO,
            "house.toml:29 controller.0.reply: found 'nobody', a host that nobody knows (Name or "
            "service not known); expected a name that this machine can look up, or a numeric "
            "address, as in 192.0.2.20",
        ),
    ],
    ids=["unknown", "twin", "no number", "midi", "kinds", "reply"],
)
def test_an_address_that_cannot_be_is_named_before_anything_opens(
    one: str, two: str, said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    names = {"page": ["192.0.2.20"], "six": ["2001:db8::5"]}
    monkeypatch.setattr(senders.socket, "getaddrinfo", book(names))
    with pytest.raises(LinkError) as caught:
        roads_of(rig(one, two), Heard())
    assert str(caught.value) == said


async def answered(roads: Roads, data: bytes) -> bool:
    await roads.links[0].open()
    taken = roads.replies[0](data)
    await roads.links[0].close()
    return taken


@pytest.mark.parametrize("listen", ["udp://:{}", "udp://127.0.0.1:{}", "udp://[::]:{}"])
@pytest.mark.parametrize("reply", ["127.0.0.1", "localhost", "[::ffff:127.0.0.1]"])
def test_a_reply_arrives_wherever_the_bridge_listens(
    listen: str, reply: str, hand: socket.socket, port: int
) -> None:
    there = f"udp://{reply}:{hand.getsockname()[1]}"
    one = f'listen = "{listen.format(port)}"\nsource = "127.0.0.1"\nreply = "{there}"'
    roads = roads_of(rig(one), Heard())
    assert asyncio.run(answered(roads, MESSAGE))
    assert hand.recv(100) == MESSAGE
