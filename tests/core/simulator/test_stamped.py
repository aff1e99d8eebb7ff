"""Datagrams that were read late, and still are known to have come in time."""

from __future__ import annotations

import asyncio
import socket
import sys
import threading
import time

import pytest
from support.onloop import on_loop

from bridge.simulator.stamped import StampedUdp

linux = pytest.mark.skipif(sys.platform != "linux", reason="only Linux stamps datagrams")


class Heard:
    def __init__(self) -> None:
        self.got: list[tuple[bytes, float]] = []
        self.udp = StampedUdp("127.0.0.1", 0, lambda data, _, at_s: self.got.append((data, at_s)))

    async def all(self, count: int) -> None:
        async with asyncio.timeout(5.0):
            while len(self.got) < count:
                await asyncio.sleep(0)


def stand_still(seconds: float) -> None:
    """The loop has no turn."""
    threading.Event().wait(seconds)


@linux
@on_loop
async def test_a_datagram_has_the_time_at_which_the_kernel_had_it() -> None:
    loop, heard = asyncio.get_running_loop(), Heard()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sent_s = loop.time()
        sender.sendto(b"first", heard.udp.address)
        stand_still(0.15)
        again_s = loop.time()
        sender.sendto(b"second", heard.udp.address)
        stand_still(0.15)
    await heard.all(2)
    heard.udp.close()
    (first, first_s), (second, second_s) = heard.got
    assert (first, second) == (b"first", b"second")
    assert sent_s - 0.001 <= first_s <= sent_s + 0.1
    assert again_s - 0.001 <= second_s <= again_s + 0.1


@on_loop
async def test_times_never_run_backwards_though_the_calendar_is_put_right(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    loop, heard = asyncio.get_running_loop(), Heard()
    calendar = time.time
    shifts = iter((0.0, 3600.0, -3600.0, 0.0))
    monkeypatch.setattr(time, "time", lambda: calendar() + next(shifts, 0.0))
    began_s = loop.time()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        for _ in range(4):
            sender.sendto(b"x", heard.udp.address)
    await heard.all(4)
    heard.udp.close()
    times = [at_s for _, at_s in heard.got]
    assert times == sorted(times)
    assert began_s - 0.001 <= times[0] and times[-1] <= loop.time()


@on_loop
async def test_answers_go_out_and_a_closed_port_is_no_trouble() -> None:
    heard = Heard()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as peer:
        peer.bind(("127.0.0.1", 0))
        peer.settimeout(5.0)
        heard.udp.send(b"answer", peer.getsockname())
        assert peer.recv(100) == b"answer"
        gone = peer.getsockname()
    heard.udp.send(b"nobody", gone)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.sendto(b"still here", heard.udp.address)
        await heard.all(1)
    heard.udp.close()
    heard.udp.close()
    heard.udp.send(b"too late", gone)


@on_loop
async def test_an_address_that_is_taken_is_told() -> None:
    heard = Heard()
    with pytest.raises(OSError):
        StampedUdp(*heard.udp.address, lambda *_: None)
    heard.udp.close()
