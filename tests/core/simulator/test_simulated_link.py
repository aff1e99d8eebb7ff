"""The simulated cable between bridge and console."""

from __future__ import annotations

import asyncio

import pytest

from bridge.simulator.clock import run
from bridge.simulator.link import Packet, SimulatedCable, cable
from bridge.simulator.network import LossyNetwork


async def _opened(wires: SimulatedCable) -> None:
    await wires.bridge_end.open()
    await wires.console_end.open()


def test_both_ends_hear_each_other() -> None:
    async def main() -> dict[str, list[tuple[bytes, object]]]:
        wires = cable()
        heard: dict[str, list[tuple[bytes, object]]] = {"bridge": [], "console": []}
        wires.bridge_end.inbox = heard["bridge"].extend
        wires.console_end.inbox = heard["console"].extend
        await _opened(wires)
        assert wires.bridge_end.send(b"to console")
        assert wires.console_end.send(b"to bridge")
        await asyncio.sleep(0.001)
        assert wires.console_end.received == wires.bridge_end.sent == 1
        return heard

    assert run(main()) == {
        "bridge": [(b"to bridge", "console")],
        "console": [(b"to console", "bridge")],
    }


def test_what_arrives_at_the_same_time_is_one_batch() -> None:
    async def main() -> list[int]:
        wires, sizes = cable(), []
        wires.console_end.inbox = lambda batch: sizes.append(len(batch))
        await _opened(wires)
        for i in range(5):
            wires.bridge_end.send(bytes([i]))
        await asyncio.sleep(1.0)
        return sizes

    assert run(main()) == [5]


# The timers of the loop have no order among equals, and a MIDI value is several messages.
def test_a_link_in_order_keeps_the_order_of_what_arrives_at_the_same_moment() -> None:
    async def main() -> list[int]:
        wires = cable(LossyNetwork(5, delay_s=(0.001, 0.003), reorder=0.0), reliable=True)
        arrived: list[int] = []
        wires.console_end.packets = lambda batch: arrived.extend(packet.seq for packet in batch)
        await _opened(wires)
        for i in range(400):
            wires.bridge_end.send(bytes([i % 256]))
            if i % 20 == 0:
                await asyncio.sleep(0.001)
        await asyncio.sleep(1.0)
        return arrived

    assert run(main()) == list(range(400))


def test_the_recorder_learns_order_sending_time_and_losses() -> None:
    async def main() -> tuple[list[Packet], list[Packet]]:
        wires = cable(LossyNetwork(2, loss=0.3, delay_s=(0.0, 0.05)))
        arrived: list[Packet] = []
        missed: list[Packet] = []
        wires.console_end.packets = arrived.extend
        wires.console_end.missed = missed.append
        await _opened(wires)
        for i in range(100):
            wires.bridge_end.send(bytes([i]))
            await asyncio.sleep(0.01)
        await asyncio.sleep(1.0)
        return arrived, missed

    arrived, missed = run(main())
    assert missed
    assert sorted(packet.seq for packet in arrived + missed) == list(range(100))
    assert [packet.seq for packet in arrived] != sorted(packet.seq for packet in arrived)
    for packet in arrived + missed:
        assert packet.data == bytes([packet.seq])
        assert packet.sent_s == pytest.approx(packet.seq * 0.01)


def test_a_link_that_is_not_open_takes_nothing() -> None:
    async def main() -> tuple[bool, bool, int]:
        wires = cable()
        closed = wires.bridge_end.send(b"x")
        await _opened(wires)
        wires.bridge_end.pull()
        return closed, wires.bridge_end.send(b"x"), wires.bridge_end.refused

    assert run(main()) == (False, False, 2)


def test_a_pulled_plug_drops_what_is_under_way_and_tells_both_ends() -> None:
    missed: list[Packet] = []

    async def main() -> tuple[list[str], list[bytes], int]:
        wires = cable(LossyNetwork(1, delay_s=(0.1, 0.1)))
        wires.console_end.missed = missed.append
        states: list[str] = []
        heard: list[bytes] = []
        wires.bridge_end.changed = states.append
        wires.console_end.inbox = lambda batch: heard.extend(data for data, _ in batch)
        await _opened(wires)
        wires.bridge_end.send(b"under way")
        wires.bridge_end.pull()
        await asyncio.sleep(0.5)
        wires.bridge_end.plug()
        wires.bridge_end.send(b"after")
        await asyncio.sleep(0.5)
        await wires.bridge_end.close()
        return states, heard, wires.console_end.dropped

    assert run(main()) == (["open", "lost", "open", "closed"], [b"after"], 1)
    assert [packet.data for packet in missed] == [b"under way"]


def test_a_slow_wire_takes_its_time_and_no_more_than_it_can_hold() -> None:
    """MIDI 1.0 on a wire: 31,250 baud, ten bits a byte, so 3,125 bytes/s."""

    async def main() -> tuple[int, list[float]]:
        wires, times = cable(wire_bytes_per_s=3125.0, reliable=True), []
        loop = asyncio.get_running_loop()
        wires.console_end.inbox = lambda batch: times.append(loop.time())
        await _opened(wires)
        taken = sum(wires.bridge_end.send(b"\xb0\x07\x40") for _ in range(1000))
        await asyncio.sleep(1.0)
        return taken, times

    taken, times = run(main())
    assert taken == 104  # 0.1 s hold 312.5 bytes
    assert times[0] == pytest.approx(3 / 3125)
    assert times[-1] == pytest.approx(104 * 3 / 3125)
