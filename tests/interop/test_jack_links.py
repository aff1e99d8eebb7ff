"""MIDI links on a real driver: plugging, twins, virtual ports, and a server that dies."""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from typing import Any

import pytest
from jack_desk import JackServer, MidiPlayer, PlayerMaker
from waiting import soon

from bridge.links.address import MidiAddress
from bridge.links.base import Batch
from bridge.links.midi import MidiHub, MidiLink, find_ports
from bridge.links.midi_process import _environment

pytestmark = pytest.mark.jack

PORT_S = 30.0
"""Finding a port takes a start of the helper and a look each half second, on a busy machine; a
server in step stands still for 10 s when a helper that was too slow there has been killed."""

STALL_S = 0.5
"""The loop may not stand still for longer: a hung driver would hold it for good."""

CHANGE = b"\xb0\x07\x40"


def run(work: Coroutine[Any, Any, None]) -> None:
    async def bounded() -> None:
        async with asyncio.timeout(60):
            await work

    asyncio.run(bounded())


class Wired:
    """A link with what it has told."""

    def __init__(self, address: MidiAddress, hub: MidiHub | None = None, **more: Any) -> None:
        self.heard: Batch = []
        self.states: list[str] = []
        self.hub = hub or MidiHub(("jack",))
        self.link = MidiLink(
            "pedals", self.heard.extend, self.states.append, address=address, hub=self.hub, **more
        )

    @property
    def data(self) -> list[bytes]:
        return [data for data, _ in self.heard]

    async def becomes(self, state: str) -> None:
        await soon(lambda: self.link.state == state, f"the link to be {state}", PORT_S)


@asynccontextmanager
async def wired(pattern: str, number: int = 1, **more: Any) -> AsyncIterator[Wired]:
    wires = Wired(MidiAddress(pattern, number), **{"needs": "both", **more})
    await wires.link.open()
    try:
        yield wires
    finally:
        await wires.link.close()


async def plugged(midi_player: PlayerMaker, name: str) -> MidiPlayer:
    return await asyncio.to_thread(midi_player, name)


async def hears(wires: Wired, player: MidiPlayer) -> None:
    """Play until it is heard: a server not in step with its clients loses single messages."""

    def played() -> bool:
        player.play(CHANGE)
        return bool(wires.heard)

    await soon(played, "a message", PORT_S)


@asynccontextmanager
async def heartbeat() -> AsyncIterator[Callable[[], float]]:
    """Ticks in the loop; the answer is the longest time that it stood still, in seconds."""
    loop = asyncio.get_running_loop()
    last_s, longest_s = loop.time(), 0.0
    handle: asyncio.TimerHandle | None = None

    def tick() -> None:
        nonlocal last_s, longest_s, handle
        now_s = loop.time()
        last_s, longest_s = now_s, max(longest_s, now_s - last_s)
        handle = loop.call_later(0.005, tick)

    tick()
    yield lambda: longest_s
    assert handle is not None
    handle.cancel()


def test_a_device_that_comes_later_is_found(midi_player: PlayerMaker) -> None:
    async def work() -> None:
        async with wired("foot*") as wires:
            helper = wires.hub.helpers[0]
            await soon(lambda: helper.ready, "the first look", PORT_S)
            assert wires.link.state == "opening"
            assert wires.link.advice == "no port 1 matches 'foot*'; there are: none"
            player = await plugged(midi_player, "Foot board")
            await wires.becomes("open")
            player.play(CHANGE)
            await soon(lambda: wires.heard, "the message")
            assert wires.heard == [(CHANGE, "Foot board:out")]

    run(work())


def test_a_device_works_again_after_each_plugging_in(midi_player: PlayerMaker) -> None:
    async def work() -> None:
        async with wired("foot*") as wires:
            for times in (1, 2, 3):
                player = await plugged(midi_player, "Foot board")
                await wires.becomes("open")
                player.play(CHANGE)
                await soon(lambda: len(wires.heard) == times, "the message")  # noqa: B023
                assert wires.link.send(CHANGE)
                await soon(lambda: player.got == [CHANGE], "the answer")  # noqa: B023
                await asyncio.to_thread(player.unplug)
                await wires.becomes("lost")
                assert not wires.link.send(CHANGE)
            assert wires.states == ["opening", *["open", "lost"] * 3]
            assert wires.hub.helpers[0].restarts == 0

    run(work())


def test_system_exclusive_passes_and_clocks_do_not(midi_player: PlayerMaker) -> None:
    async def work() -> None:
        async with wired("foot*") as wires:
            player = await plugged(midi_player, "Foot board")
            await wires.becomes("open")
            dump = b"\xf0\x7d" + bytes(3000) + b"\xf7"  # 7D: non-commercial (MIDI 1.0, sysex ids)
            player.play(b"\xf8", dump, b"\xfe", b"\xfa", CHANGE)
            await soon(lambda: CHANGE in wires.data, "the messages")
            assert wires.data == [dump, b"\xfa", CHANGE]
            assert wires.link.send(dump)
            await soon(lambda: player.got == [dump], "the answer")

    run(work())


def test_a_message_too_long_to_carry_is_dropped_and_counted(midi_player: PlayerMaker) -> None:
    async def work() -> None:
        async with wired("foot*") as wires:
            player = await plugged(midi_player, "Foot board")
            await wires.becomes("open")
            player.play(b"\xf0\x7d" + bytes(5000) + b"\xf7", CHANGE)
            await soon(lambda: wires.heard, "the good one")
            await soon(lambda: wires.hub.helpers[0].dropped == 1, "the count")
            assert wires.data == [CHANGE]

    run(work())


def test_the_second_of_several_matching_devices_is_taken_when_asked(
    midi_player: PlayerMaker,
) -> None:
    async def work() -> None:
        first = await plugged(midi_player, "Knobs")
        second = await plugged(midi_player, "Knobs left")
        async with wired("knobs*", 2) as wires:
            await wires.becomes("open")
            assert "number 2 is taken" in wires.link.advice
            first.play(b"\xb0\x07\x01")
            second.play(b"\xb0\x07\x02")
            await soon(lambda: wires.heard, "the message")
            source = wires.heard[0][1]
            assert wires.heard == [
                (b"\xb0\x07\x02" if "left" in str(source) else b"\xb0\x07\x01", source)
            ]
            names = [p.name for p in wires.hub.ports if not p.output]
            assert source == sorted(names, key=names.index)[1]

    run(work())


def test_two_links_share_one_helper_and_hear_only_their_own(midi_player: PlayerMaker) -> None:
    async def work() -> None:
        foot = await plugged(midi_player, "Foot board")
        knobs = await plugged(midi_player, "Knobs")
        async with wired("foot*") as one, wired("knobs*", hub=one.hub) as two:
            await one.becomes("open")
            await two.becomes("open")
            foot.play(b"\xb0\x01\x01")
            knobs.play(b"\xb0\x02\x02")
            await soon(lambda: one.heard and two.heard, "both")
            assert (one.data, two.data) == ([b"\xb0\x01\x01"], [b"\xb0\x02\x02"])
            assert len(one.hub.helpers) == 1

    run(work())


def test_a_virtual_port_is_made_for_others_to_connect_to(jack_server: JackServer) -> None:
    async def work() -> None:
        own = Wired(MidiAddress("Ferry Lane", virtual=True), needs="both")
        await own.link.open()
        await own.becomes("open")
        async with wired("ferry lane*") as other:
            await other.becomes("open")
            assert other.link.send(CHANGE)
            await soon(lambda: own.data == [CHANGE], "the virtual port to hear")
            assert own.link.send(b"\xc0\x05")
            await soon(lambda: other.data == [b"\xc0\x05"], "the other to hear")
            await soon(lambda: own.hub.helpers[0].ports, "its own look at the list")
            assert own.hub.ports == ()  # the bridge never connects to its own port
        await own.link.close()

    run(work())


def test_ports_are_listed_with_their_driver(
    midi_player: PlayerMaker, jack_server: JackServer
) -> None:
    midi_player("Foot board")

    async def work() -> None:
        found = await find_ports()
        assert ("jack", False, "Foot board:out") in [(p.api, p.output, p.name) for p in found]

    run(work())


@pytest.mark.parametrize("end", ["kill", "freeze"])
def test_a_driver_that_stops_taking_bytes_does_not_stop_the_loop(
    rough_jack_server: JackServer, midi_player: PlayerMaker, end: str
) -> None:
    async def work() -> None:
        async with wired("foot*") as wires:
            await plugged(midi_player, "Foot board")
            await wires.becomes("open")
            async with heartbeat() as stood_still_s:
                getattr(rough_jack_server, end)()
                told = 0
                while wires.link.state == "open":  # far more than the driver's own buffer holds
                    told += sum(wires.link.send(CHANGE) for _ in range(100))
                    await _turns(20)
                assert stood_still_s() < STALL_S
                assert not wires.link.send(CHANGE)
            assert wires.states == ["opening", "open", "lost"]

    run(work())
    rough_jack_server.kill()  # its players would wait for a frozen one


async def _turns(number: int) -> None:
    """Let the loop turn a few times."""
    loop = asyncio.get_running_loop()
    for _ in range(number):
        turned = loop.create_future()
        loop.call_later(0.0005, turned.set_result, None)
        await turned


def test_a_link_comes_back_after_the_server_was_killed_and_started_again(
    rough_jack_server: JackServer, midi_player: PlayerMaker
) -> None:
    async def work() -> None:
        async with wired("foot*") as wires:
            await plugged(midi_player, "Foot board")
            await wires.becomes("open")
            rough_jack_server.kill()
            await wires.becomes("lost")
            await asyncio.to_thread(rough_jack_server.start, in_step=False)
            player = await plugged(midi_player, "Foot board")
            await wires.becomes("open")
            await hears(wires, player)

    run(work())


def test_closing_the_last_link_ends_the_helper(jack_server: JackServer) -> None:
    async def work() -> None:
        async with wired("foot*") as wires:
            await soon(lambda: wires.hub.helpers[0].ready, "the helper", PORT_S)
            pid = _pid(wires)
        assert wires.hub.helpers == ()
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)

    run(work())


def test_the_helper_dies_with_its_bridge(jack_server: JackServer) -> None:
    """Its input ends when the bridge does, however the bridge ended."""

    async def work() -> None:
        helper = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "bridge.links.midi_helper", "jack"),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
            env=_environment(),
        )
        assert helper.stdin is not None and helper.stdout is not None
        assert await helper.stdout.read(1)
        helper.stdin.close()
        assert await asyncio.wait_for(helper.wait(), 10) == 0
        assert helper.stderr is not None
        assert await helper.stderr.read() == b""

    run(work())


def _pid(wires: Wired) -> int:
    """The process number of the link's helper."""
    pid = wires.hub.helpers[0].pid
    assert pid is not None
    return pid


def test_the_player_itself_uses_the_driver_that_is_tested() -> None:
    rtmidi = pytest.importorskip("rtmidi")
    assert rtmidi.API_UNIX_JACK in rtmidi.get_compiled_api()
