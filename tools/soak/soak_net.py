"""Where the bridge lives: on this machine, or behind a cable in a network of its own. I/O.

A network of its own is a Linux network namespace (ip-netns(8)) with a pair of virtual Ethernet
ports (veth(4)). The cable can be pulled; where the kernel has netem (tc-netem(8)), packets to the
bridge are late and some are lost.
"""

from __future__ import annotations

import asyncio
import contextlib
import ctypes
import os
import socket
import subprocess
from collections.abc import Iterator

NAME, OURS, ITS = "foldbridge-soak", "fb-soak-near", "fb-soak-far"
NETWORK = "10.213.77"
NETEM = ("netem", "delay", "10ms", "loss", "2%")
PATIENCE_S = 5.0

CLONE_NEWNET = 0x40000000
"""setns(2): the namespace is one of networks."""


class NoNetwork(Exception):
    """No namespace can be had on this machine; the text says why."""


class Net:
    """The one network that this machine has."""

    prefix: tuple[str, ...] = ()
    bridge, desk = "127.0.0.1", "127.0.0.1"
    tells = "one network"

    def near(self, count: int) -> tuple[str, ...]:
        """Addresses of so many devices."""
        return tuple(f"127.0.0.{11 + number}" for number in range(count))

    def pull(self) -> None:
        """Pull the cable."""

    def plug(self) -> None:
        """Put it back."""

    async def fetch(self, port: int, path: str) -> str:
        """A document of the bridge's own loopback, by HTTP/1.0."""
        reader, writer = await self._connect(port)
        writer.write(f"GET {path} HTTP/1.0\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
        try:
            async with asyncio.timeout(PATIENCE_S):
                data = await reader.read(-1)
        finally:
            writer.close()
        return data.partition(b"\r\n\r\n")[2].decode()

    async def line(self, port: int) -> str:
        """The first line that somebody on the bridge's loopback says."""
        reader, writer = await self._connect(port)
        try:
            async with asyncio.timeout(PATIENCE_S):
                return (await reader.readline()).decode()
        finally:
            writer.close()

    async def _connect(self, port: int) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        sock = await asyncio.to_thread(self._socket, port)
        return await asyncio.open_connection(sock=sock, limit=8 << 20)

    def _socket(self, port: int) -> socket.socket:
        return socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S)


class Apart(Net):
    """A network of its own."""

    prefix = ("ip", "netns", "exec", NAME)
    bridge, desk = f"{NETWORK}.2", f"{NETWORK}.1"
    tells = "two networks"

    def near(self, count: int) -> tuple[str, ...]:
        """Addresses of so many devices, all on our end of the cable."""
        return tuple(f"{NETWORK}.{11 + number}" for number in range(count))

    def pull(self) -> None:
        """Pull the cable."""
        _ip("link", "set", OURS, "down")

    def plug(self) -> None:
        """Put it back."""
        _ip("link", "set", OURS, "up")

    def _socket(self, port: int) -> socket.socket:
        """A connection made by a thread that is in the bridge's network: the socket stays there."""
        libc = ctypes.CDLL(None, use_errno=True)
        with open("/proc/thread-self/ns/net") as home, open(f"/run/netns/{NAME}") as away:
            if libc.setns(away.fileno(), CLONE_NEWNET):
                raise OSError(ctypes.get_errno(), "setns")
            try:
                return super()._socket(port)
            finally:
                libc.setns(home.fileno(), CLONE_NEWNET)


def _ip(*words: str, inside: bool = False) -> None:
    """Call ip(8).

    Raises:
        NoNetwork: it is missing, or not allowed.
    """
    command = ["ip", *(("-n", NAME) if inside else ()), *words]
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    except OSError as error:
        raise NoNetwork(f"ip: {error.strerror} (Debian: apt-get install iproute2)") from None
    if done.returncode:
        raise NoNetwork(f"{' '.join(command)}: {done.stderr.strip()}")


@contextlib.contextmanager
def apart(count: int) -> Iterator[Apart]:
    """Make a network for the bridge, and take it away at the end.

    Args:
        count: How many devices are on our end.

    Raises:
        NoNetwork: the machine does not give it.
    """
    with contextlib.suppress(NoNetwork):
        _ip("netns", "del", NAME)  # one that a run left behind which was killed
    _ip("netns", "add", NAME)
    try:
        _ip("link", "add", OURS, "type", "veth", "peer", "name", ITS, "netns", NAME)
        net = Apart()
        for address in (net.desk, *net.near(count)):
            _ip("addr", "add", f"{address}/24", "dev", OURS)
        _ip("link", "set", OURS, "up")
        _ip("addr", "add", f"{net.bridge}/24", "dev", ITS, inside=True)
        _ip("link", "set", ITS, "up", inside=True)
        _ip("link", "set", "lo", "up", inside=True)
        words = ["tc", "qdisc", "add", "dev", OURS, "root", *NETEM]
        netem = subprocess.run(words, capture_output=True, text=True, check=False)
        net.tells = "two networks, " + (
            " ".join(NETEM) if not netem.returncode else f"no netem here: {netem.stderr.strip()}"
        )
        yield net
    finally:
        with contextlib.suppress(NoNetwork):
            _ip("netns", "del", NAME)
        with contextlib.suppress(NoNetwork):
            _ip("link", "del", OURS)


def is_root() -> bool:
    """Whether this process may do what follows."""
    return os.geteuid() == 0
