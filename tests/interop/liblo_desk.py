"""The programs of liblo, an OSC library in C, as other ends: ``oscsend`` and ``oscdump``."""

from __future__ import annotations

import shutil
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from waiting import until

READY_S = 10.0


def free_port(kind: socket.SocketKind = socket.SOCK_DGRAM) -> int:
    """A port of the loopback that is free now."""
    with socket.socket(socket.AF_INET, kind) as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def program_of_liblo(name: str) -> str:
    path = shutil.which(name)
    if path is None:
        pytest.skip(f"{name} is missing: install the package liblo-tools")
    return path


class OscDump:
    """A program that prints each OSC message that reaches its port, one a line."""

    def __init__(self, program: str, transport: str) -> None:
        kind = socket.SOCK_STREAM if transport == "tcp" else socket.SOCK_DGRAM
        self.port, self.lines = free_port(kind), list[str]()
        self._process = subprocess.Popen(
            [program, "-L", f"osc.{transport}://:{self.port}/"],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        until(lambda: _is_bound(self.port, kind), READY_S, "oscdump to listen")

    def until(self, fits: Callable[[list[str]], object], seconds: float = READY_S) -> list[str]:
        """Wait until the lines fit, and answer them without their time stamps."""
        until(lambda: fits(self.messages), seconds, f"oscdump; it printed {self.lines}")
        return self.messages

    @property
    def messages(self) -> list[str]:
        """Address, type tags and arguments of each message."""
        return [line.split(" ", 1)[-1] for line in self.lines]

    def stop(self) -> None:
        self._process.terminate()
        self._process.wait(5)
        self._reader.join(5)

    def _read(self) -> None:
        assert self._process.stdout is not None
        with self._process.stdout:
            for line in self._process.stdout:
                self.lines.append(line.rstrip("\n"))


def _is_bound(port: int, kind: socket.SocketKind) -> bool:
    """True when somebody has the port.

    Read from the system's list where there is one: trying the port would take it away from the
    program that is just about to take it.
    """
    transport = "udp" if kind == socket.SOCK_DGRAM else "tcp"
    lists = [Path(f"/proc/net/{transport}{family}") for family in ("", "6")]
    if lists[0].exists():
        texts = [each.read_text() for each in lists if each.exists()]
        return any(f":{port:04X} " in text for text in texts)
    with socket.socket(socket.AF_INET, kind) as sock:
        try:
            sock.bind(("0.0.0.0", port))
        except OSError:
            return True
    return False


Send = Callable[..., None]


@pytest.fixture(scope="session")
def oscsend() -> Send:
    """Call it with a port, an address, type tags and values: one message, sent by liblo."""
    program = program_of_liblo("oscsend")

    def send(port: int, address: str, tags: str, *values: object, transport: str = "udp") -> None:
        url = f"osc.{transport}://127.0.0.1:{port}/"
        words = [program, url, address, tags, *map(str, values)]
        subprocess.run(words, check=True, timeout=10, stdin=subprocess.DEVNULL)

    return send


@pytest.fixture
def oscdump() -> Iterator[Callable[..., OscDump]]:
    """Call it, with a transport if not ``udp``: an OscDump that listens on a free port."""
    program, running = program_of_liblo("oscdump"), list[OscDump]()

    def start(transport: str = "udp") -> OscDump:
        running.append(OscDump(program, transport))
        return running[-1]

    yield start
    for dump in running:
        dump.stop()
