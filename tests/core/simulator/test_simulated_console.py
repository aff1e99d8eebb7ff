"""The stand-in on simulated cables and real sockets, with the witness watching."""

from __future__ import annotations

import asyncio
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from simulator_tape import LAYOUT, MASTER, MASTER_0, MUTE, OFF, SEND_0, facts, slot
from simulator_words import FakeWords, say

from bridge.simulator import recording
from bridge.simulator.clock import run
from bridge.simulator.findings import Findings
from bridge.simulator.link import cable
from bridge.simulator.network import LossyNetwork
from bridge.simulator.recorder import RecordingFile, both
from bridge.simulator.recording import header_of
from bridge.simulator.server import Console
from bridge.simulator.stand_in import StandIn
from bridge.simulator.witness import Witness, judge_text

DEADLINE_S = 5.0


def _bad(seed: int) -> LossyNetwork:
    return LossyNetwork(seed, loss=0.05, double=0.05, delay_s=(0.0, 0.05))


async def _ride(send: Callable[[bytes], bool], where: int, rise_db_per_s: float) -> float:
    """A bridge's ramp from the floor to -20 dB and its last word again and again."""
    level_db = -60.0
    while level_db < -20.0:
        level_db = min(-20.0, level_db + rise_db_per_s * 0.02)
        send(say(where, level_db))
        await asyncio.sleep(0.02)
    for _ in range(5):
        await asyncio.sleep(0.06)
        send(say(where, level_db))
    return level_db


def _ridden(seed: int, rise_db_per_s: float) -> Findings:
    declared = facts({slot(MUTE, bus=1): 1.0}, delay_s=0.05)
    witness = Witness(header_of(declared))

    async def main() -> None:
        wires = cable(_bad(seed), _bad(seed + 1))
        stand_in = StandIn(FakeWords(), LAYOUT, witness.feed)
        Console(stand_in).attach(wires.console_end)
        await wires.bridge_end.open()
        await wires.console_end.open()
        level_db = await _ride(wires.bridge_end.send, SEND_0, rise_db_per_s)
        await asyncio.sleep(0.1)
        at_s = asyncio.get_running_loop().time()
        witness.feed(recording.settled(at_s, {SEND_0: level_db}))

    run(main())
    return witness.findings()


@pytest.mark.parametrize("seed", range(5))
def test_a_ramp_through_a_bad_network_is_green(seed: int) -> None:
    findings = _ridden(seed, 5.0)
    assert findings.ok, findings.text()
    assert findings.late > 0
    assert findings.link_bytes > 0


@pytest.mark.parametrize("seed", range(5))
def test_a_ramp_at_double_speed_turns_it_red_through_a_bad_network_too(seed: int) -> None:
    assert _ridden(seed, 12.0).counts["slew"] >= 1


def test_the_same_seed_gives_the_same_findings() -> None:
    assert _ridden(3, 12.0) == _ridden(3, 12.0)


def test_the_desks_moves_reach_the_bridge_over_the_cable() -> None:
    async def main() -> list[bytes]:
        wires, heard = cable(), []
        wires.bridge_end.inbox = lambda batch: heard.extend(data for data, _ in batch)
        console = Console(StandIn(FakeWords(), LAYOUT, lambda line: None))
        console.attach(wires.console_end)
        await wires.bridge_end.open()
        await wires.console_end.open()
        console.move(SEND_0, -3.0)
        await asyncio.sleep(0.1)
        return heard

    assert run(main()) == [f"is {SEND_0} -3.0".encode()]


def test_a_console_that_tells_everything_does_it_in_groups() -> None:
    """A kernel's default buffer holds about 256 small datagrams."""

    async def main() -> list[int]:
        wires, sizes = cable(), []
        wires.bridge_end.inbox = lambda batch: sizes.append(len(batch))
        words = FakeWords()
        words.alive = tuple(b"alive %d" % i for i in range(1000))
        Console(StandIn(words, LAYOUT, lambda line: None)).attach(wires.console_end)
        await wires.bridge_end.open()
        await wires.console_end.open()
        wires.bridge_end.send(b"probe")
        await asyncio.sleep(1.0)
        return sizes

    sizes = run(main())
    assert sum(sizes) == 1000
    assert max(sizes) <= 64


class PlainLink:
    """Any link from outside: a MIDI port, say."""

    def __init__(self) -> None:
        self.inbox: Callable[[list[tuple[bytes, object]]], None] = lambda batch: None
        self.said: list[bytes] = []

    def send(self, data: bytes) -> bool:
        self.said.append(data)
        return True


def test_any_other_link_can_be_handed_in() -> None:
    async def main() -> tuple[list[bytes], list[dict[str, Any]]]:
        link, lines = PlainLink(), []
        Console(StandIn(FakeWords(echoes=True), LAYOUT, lines.append)).attach(link)
        link.inbox([(say(SEND_0, -9.0), "port"), (b"probe", "port")])
        return link.said, lines

    said, lines = run(main())
    assert said == [f"is {SEND_0} -9.0".encode(), b"alive"]
    assert [line.get("seq") for line in lines if line["what"] == "told"] == [0]


def test_what_a_simulated_network_before_a_real_link_eats_is_recorded_as_lost() -> None:
    async def main() -> list[dict[str, Any]]:
        link, lines = PlainLink(), []
        stand_in = StandIn(FakeWords(), LAYOUT, lines.append)
        Console(stand_in, to_console=LossyNetwork(1, loss=1.0)).attach(link)
        link.inbox([(say(SEND_0, -9.0), "port")])
        return lines

    assert [line["what"] for line in run(main())] == ["packet", "lost"]


def _recorded(tmp_path: Path, **more: Any) -> tuple[RecordingFile, Path]:
    path = tmp_path / "show.jsonl"
    return RecordingFile(path, facts(), **more), path


class _Client(asyncio.DatagramProtocol):
    def __init__(self) -> None:
        self.heard: asyncio.Queue[bytes] = asyncio.Queue()

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        self.heard.put_nowait(data)


def test_it_answers_on_a_real_udp_socket_and_records_to_a_file(tmp_path: Path) -> None:
    file, path = _recorded(tmp_path)

    async def main() -> bytes:
        console = Console(StandIn(FakeWords(), LAYOUT, file))
        await console.listen_udp("127.0.0.1", 0)
        loop = asyncio.get_running_loop()
        transport, client = await loop.create_datagram_endpoint(
            _Client, remote_addr=console.address
        )
        transport.sendto(say(SEND_0, -59.5))
        transport.sendto(b"x" * 5000)
        transport.sendto(f"ask {SEND_0}".encode())
        try:
            return await asyncio.wait_for(client.heard.get(), DEADLINE_S)
        finally:
            transport.close()
            console.close()

    with file:
        assert asyncio.run(main()) == f"is {SEND_0} -59.5".encode()
    findings = judge_text(path.read_text().splitlines(keepends=True))
    assert (findings.words, findings.counts) == (1, {})
    assert findings.link_bytes > 5000


def test_reports_go_where_the_console_is_told_to_send_them() -> None:
    async def main() -> bytes:
        loop = asyncio.get_running_loop()
        listener, ear = await loop.create_datagram_endpoint(_Client, local_addr=("127.0.0.1", 0))
        reports_to = listener.get_extra_info("sockname")
        console = Console(StandIn(FakeWords(), LAYOUT, lambda line: None), reports_to=reports_to)
        await console.listen_udp("127.0.0.1", 0)
        sender, _ = await loop.create_datagram_endpoint(_Client, remote_addr=console.address)
        sender.sendto(b"probe")
        try:
            return await asyncio.wait_for(ear.heard.get(), DEADLINE_S)
        finally:
            listener.close()
            sender.close()
            console.close()

    assert asyncio.run(main()) == b"alive"


def test_it_answers_on_a_real_tcp_connection_and_drops_one_that_talks_rubbish() -> None:
    def framed(data: bytes) -> bytes:
        return struct.pack(">i", len(data)) + data

    async def main() -> tuple[bytes, bytes]:
        words = FakeWords()
        words.padded = True
        console = Console(StandIn(words, LAYOUT, lambda line: None))
        await console.listen_tcp("127.0.0.1", 0, "size")
        rubbish_in, rubbish_out = await asyncio.open_connection(*console.address)
        rubbish_out.write(b"\x7f\xff\xff\xff")
        dropped = await asyncio.wait_for(rubbish_in.read(), DEADLINE_S)
        reader, writer = await asyncio.open_connection(*console.address)
        writer.write(framed(f"ask {SEND_0}   "[:8].encode()))
        answer = await asyncio.wait_for(reader.readexactly(4), DEADLINE_S)
        answer = await asyncio.wait_for(
            reader.readexactly(*struct.unpack(">i", answer)), DEADLINE_S
        )
        for each in (rubbish_out, writer):
            each.close()
        console.close()
        return dropped, answer

    dropped, answer = asyncio.run(main())
    assert dropped == b""
    assert answer.strip() == f"is {SEND_0} {OFF}".encode()


def test_a_full_recording_says_so_and_is_not_green(tmp_path: Path) -> None:
    file, path = _recorded(tmp_path, bytes_max=4000)
    with file:
        for i in range(200):
            file(recording.told(float(i), MASTER_0, OFF))
        assert file.full
    assert path.stat().st_size < 4200
    findings = judge_text(path.read_text().splitlines(keepends=True))
    assert findings.counts == {"recording": 1}


def test_a_file_and_a_witness_can_watch_together(tmp_path: Path) -> None:
    file, path = _recorded(tmp_path)
    witness = Witness(header_of(facts()))
    with file:
        record = both(file, witness.feed)
        record(recording.told(1.0, slot(MASTER, bus=0), 0.0))
    assert judge_text(path.read_text().splitlines(keepends=True)) == witness.findings()
    assert witness.findings().counts == {"slew": 1}
