"""Announcing by DNS-SD, looked for by a browser of its own on the loopback network."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator, Sequence
from typing import Any

import pytest
from support.onloop import on_loop
from support.queried import DISCOVERY, Queried, queried_rig
from zeroconf import ServiceInfo, ServiceStateChange, Zeroconf
from zeroconf.asyncio import AsyncServiceBrowser, AsyncZeroconf

from bridge.links.address import SocketAddress
from bridge.oscquery import announce
from bridge.oscquery.announce import ASKED, NAME_BYTES_MAX, Announcer, service_name
from bridge.rig.discovery import Discovery

OSC = "_osc._udp.local."


class Browser:
    """A browser on the loopback network, as any program would have.

    Attributes:
        found: Names of services by type.
    """

    def __init__(self) -> None:
        self.found: dict[str, set[str]] = {ASKED: set(), OSC: set()}
        self.zeroconf: AsyncZeroconf

    async def __aenter__(self) -> Browser:
        self.zeroconf = AsyncZeroconf(interfaces=["127.0.0.1"])
        self._browser = AsyncServiceBrowser(
            self.zeroconf.zeroconf, list(self.found), handlers=[self._changed]
        )
        return self

    async def __aexit__(self, *_: object) -> None:
        await self._browser.async_cancel()
        await self.zeroconf.async_close()

    def _changed(
        self, zeroconf: Zeroconf, service_type: str, name: str, state_change: ServiceStateChange
    ) -> None:
        names = self.found[service_type]
        plain = name.removesuffix(f".{service_type}")
        (names.discard if state_change is ServiceStateChange.Removed else names.add)(plain)

    async def until(self, true: Any, seconds: float = 20.0) -> None:
        async with asyncio.timeout(seconds):
            while not true(self.found):
                await asyncio.sleep(0.05)

    async def info(self, kind: str, name: str) -> ServiceInfo:
        info = await self.zeroconf.async_get_service_info(kind, f"{name}.{kind}", timeout=5000)
        assert info is not None
        return info


def discovery(**more: Any) -> Discovery:
    return Discovery(controller="tablet", **more)


def announcer(name: str = "Ferry Lane, room 2: tablet", **more: Any) -> Announcer:
    """An announcer on the loopback network."""
    return Announcer(
        discovery(listen="127.0.0.1:8781"), SocketAddress("udp", "", 9311), name, 8781, **more
    )


@contextlib.asynccontextmanager
async def running(one: Announcer) -> AsyncIterator[None]:
    task = asyncio.ensure_future(one.run())
    try:
        yield
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def announced(one: Announcer) -> None:
    async with asyncio.timeout(20.0):
        while not one.announced:
            await asyncio.sleep(0.05)


@on_loop
async def test_a_browser_finds_where_to_ask_and_where_osc_goes_and_hears_the_good_bye() -> None:
    rig = queried_rig(discovery=DISCOVERY.replace("announce = false", 'name = "Room 2"'))
    async with Browser() as browser:
        async with Queried(rig) as bridge:
            await browser.until(lambda found: "Room 2" in found[ASKED] & found[OSC])
            asked, osc = await browser.info(ASKED, "Room 2"), await browser.info(OSC, "Room 2")
            assert (asked.port, osc.port) == (bridge.discovery.port, 9311)
            assert asked.parsed_addresses() == osc.parsed_addresses() == ["127.0.0.1"]
            host = (asked.server or "").rstrip(".")
            status, said = await bridge.ask("/?HOST_INFO", Host=f"{host}:{asked.port}")
            assert status == 200 and said["NAME"] == "Room 2"
        await browser.until(lambda found: "Room 2" not in found[ASKED] | found[OSC])


@on_loop
async def test_two_rooms_with_one_name_are_found_under_two() -> None:
    one, other = announcer("Same"), announcer("Same")
    async with Browser() as browser, running(one):
        await announced(one)
        async with running(other):
            await announced(other)
            assert one.name == "Same" and other.name != "Same"
            names = {one.name, other.name}
            await browser.until(lambda found: names <= found[ASKED] and names <= found[OSC])
            assert one.host != other.host


@on_loop
async def test_osc_on_another_address_is_not_announced() -> None:
    one = Announcer(discovery(listen="127.0.0.1:8781"), SocketAddress("udp", "192.0.2.5", 9311),
                    "Elsewhere", 8781)  # fmt: skip
    async with Browser() as browser, running(one):
        await announced(one)
        await browser.until(lambda found: "Elsewhere" in found[ASKED])
        assert "Elsewhere" not in browser.found[OSC]


@on_loop
async def test_without_a_network_it_is_told_once_and_tried_until_there_is_one(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(announce, "LOOK_S", 0.05)
    caplog.set_level(logging.INFO)
    here: list[str] = ["203.0.113.99"]  # of another machine: no socket can be bound to it
    one = Announcer(discovery(listen="0.0.0.0:8781", open_to_network=True),
                    SocketAddress("udp", "", 9311), "Later", 8781, lambda: here)  # fmt: skip
    async with running(one):
        await asyncio.sleep(0.5)
        assert not one.announced
        assert caplog.text.count("not announced on 203.0.113.99") == 1
        here[:] = ["127.0.0.1"]
        await announced(one)
        assert one.announced == ("127.0.0.1",)
        assert "announced as 'Later' on 127.0.0.1" in caplog.text


@on_loop
async def test_other_addresses_are_believed_when_seen_twice(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    answers: list[Sequence[str]] = []
    tried: list[Sequence[str]] = []
    one = Announcer(discovery(listen="0.0.0.0:8781", open_to_network=True),
                    SocketAddress("udp", "", 9311), "x", 8781, lambda: answers.pop(0))  # fmt: skip

    async def note(stack: object, here: tuple[str, ...]) -> None:
        tried.append(here)
        one.announced = here

    monkeypatch.setattr(one, "_announce", note)
    seen: tuple[str, ...] = ()
    async with contextlib.AsyncExitStack() as stack:
        for now in (["a"], ["a"], [], ["a"], ["b"], ["a"], ["b"], ["b"], [], []):
            answers.append(now)
            seen = await one._look(stack, seen)
    assert tried == [("a",), ("b",)] and one.announced == ()


@on_loop
async def test_a_defect_in_announcing_does_not_reach_the_bridge(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(announce, "LOOK_S", 0.02)
    caplog.set_level(logging.INFO)

    def fails() -> list[str]:
        raise KeyError("planted")

    one = Announcer(discovery(listen="0.0.0.0:8781", open_to_network=True),
                    SocketAddress("udp", "", 9311), "x", 8781, fails)  # fmt: skip
    async with running(one):
        await asyncio.sleep(0.2)
    assert caplog.text.count("planted") == 1


HERE = ["192.0.2.5", "198.51.100.5"]


@pytest.mark.parametrize(("listen", "announce_on", "expected"), [
    ("127.0.0.1:1", [], ("127.0.0.1",)),
    ("localhost:1", [], ("127.0.0.1",)),
    ("192.0.2.5:1", [], ("192.0.2.5",)),
    ("0.0.0.0:1", [], tuple(HERE)),
    ("0.0.0.0:1", ["198.51.100.5"], ("198.51.100.5",)),
    ("0.0.0.0:1", ["203.0.113.1"], ()),
    ("192.0.2.5:1", ["192.0.2.5"], ("192.0.2.5",)),
])  # fmt: skip
def test_it_is_announced_where_it_listens_and_the_rig_wants_it(
    listen: str, announce_on: list[str], expected: tuple[str, ...]
) -> None:
    declared = discovery(listen=listen, announce_on=announce_on)
    one = Announcer(declared, SocketAddress("udp", "", 1), "x", 1, lambda: HERE)
    assert one._here() == expected


@pytest.mark.parametrize(("text", "name"), [
    ("Ferry Lane, room 2: tablet", "Ferry Lane, room 2: tablet"),
    ("no. 2 / a.b", "no 2 / a b"),
    ("  two   words ", "two words"),
    ("ä" * 60, "ä" * 31),
    ("...", "foldbridge"),
])  # fmt: skip
def test_a_name_fits_into_one_label(text: str, name: str) -> None:
    assert service_name(text) == name
    assert len(service_name(text).encode()) <= NAME_BYTES_MAX


def test_two_rooms_have_two_names_by_themselves() -> None:
    rigs = [queried_rig(text=queried_rig().text.split("[discovery]")[0].replace("room 2", room))
            for room in ("room 2", "room 3")]  # fmt: skip
    names = [service_name(f"{rig.file.rig.name}: tablet") for rig in rigs]
    assert names == ["Ferry Lane, room 2: tablet", "Ferry Lane, room 3: tablet"]


def test_a_machine_knows_its_own_addresses() -> None:
    assert all(not one.startswith("127.") for one in announce.addresses_now())
