"""The bridge as a program: `foldbridge run` and `foldbridge simulate`, each in its process.

Rigs are written as texts in the documented form; every port in them is free when it is written.
"""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from liblo_desk import free_port
from waiting import until

MAPPINGS = Path(__file__).resolve().parents[2] / "mappings"
DEADLINE_S = 15.0
"""A bridge starts in a second; a machine that runs other tests meanwhile may take its time."""


class Program:
    """A command of foldbridge that runs, and the lines that it has printed."""

    def __init__(
        self, command: str, rig: Path, *more: str, more_env: Mapping[str, str] | None = None
    ) -> None:
        self.lines: list[str] = []
        self.process = subprocess.Popen(
            [sys.executable, "-m", "bridge.cli", command, str(rig), *more],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env=os.environ | dict(more_env or {}),
            start_new_session=True,  # so that a Ctrl-C reaches it and its helpers, but not pytest
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    @property
    def log(self) -> str:
        return "\n".join(self.lines)

    def says(self, words: str, *, times: int = 1) -> str:
        """Wait until it has printed a line with these words so often; answers the last one."""
        found: list[str] = []

        def said() -> bool:
            found[:] = [line for line in self.lines if words in line]
            return len(found) >= times or self.process.poll() is not None

        until(said, DEADLINE_S, f"'{words}' ({times} times) in:\n{self.log}")
        assert len(found) >= times, f"it ended without '{words}':\n{self.log}"
        return found[times - 1]

    def press_ctrl_c(self) -> None:
        """A terminal sends SIGINT to everything that it started in the foreground (POSIX.1)."""
        self.signal_all(signal.SIGINT)

    def signal_all(self, number: int) -> None:
        """Send a signal to it and to everything that it started."""
        os.killpg(self.process.pid, number)

    def end(self, number: int = signal.SIGTERM) -> int:
        """Send a signal and wait; answers the exit code."""
        self.process.send_signal(number)
        return self.ended()

    def ended(self) -> int:
        """Wait for the end, and for the last line; answers the exit code."""
        code = self.process.wait(DEADLINE_S)
        self._reader.join(DEADLINE_S)
        return code

    def take_down(self) -> None:
        """At the end of a test, whatever happened."""
        if self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(DEADLINE_S)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
        self._reader.join(5)

    def _read(self) -> None:
        assert self.process.stdout is not None
        with self.process.stdout:
            for line in self.process.stdout:
                self.lines.append(line.rstrip("\n"))


class Bridge(Program):
    """A running bridge."""

    def __init__(self, rig: Path, watch: int, more_env: Mapping[str, str]) -> None:
        super().__init__("run", rig, more_env=more_env)
        self._watch = watch

    def becomes(self, link: str, state: str, *, times: int = 1) -> None:
        """Wait until a link has come to a state so often, by the log."""
        end = f" {link}: {state}"
        until(lambda: sum(line.endswith(end) for line in self.lines) >= times, DEADLINE_S,
              f"'{end}' {times} times in:\n{self.log}")  # fmt: skip

    def picture(self) -> dict[str, Any]:
        """What `foldbridge watch` would show now."""
        with socket.create_connection(("127.0.0.1", self._watch), timeout=5) as sock:
            line = sock.makefile("rb").readline()
        shown: dict[str, Any] = json.loads(line)
        return shown

    def shows(self, fits: Callable[[dict[str, Any]], object], what: str) -> dict[str, Any]:
        """Wait until the picture fits; answers it."""
        last: dict[str, Any] = {}

        def fitting() -> bool:
            last.update(self.picture())
            return bool(fits(last))

        until(fitting, DEADLINE_S, f"{what}; the log:\n{self.log}", look_s=0.05)
        return last

    def live(self) -> None:
        """Wait until the console has been read and every bus that opens by itself is open."""

        def is_live(picture: dict[str, Any]) -> bool:
            return picture["console"] == "live" and all(
                bus["state"] == "open" for bus in picture["buses"]
            )

        self.shows(is_live, "the console to be live")


class House:
    """A folder with a rig and its maps, and everything that was started in it.

    Attributes:
        folder: Where the files are.
        ports: Free ports by a name of the test's choice; ``<name>`` in a rig's text is the port.
    """

    def __init__(self, folder: Path, more_env: Mapping[str, str] | None = None) -> None:
        self.folder, self._more_env = folder, dict(more_env or {})
        self.ports: dict[str, int] = {}
        self._running: list[Program] = []

    def port(self, name: str, kind: socket.SocketKind = socket.SOCK_DGRAM) -> int:
        """The port of that name: a free one, the same every time, no other name's."""
        while name not in self.ports:
            free = free_port(kind)
            if free not in self.ports.values():
                self.ports[name] = free
        return self.ports[name]

    def write(self, name: str, text: str) -> Path:
        """Write a file; answers where."""
        path = self.folder / name
        path.write_text(text, encoding="utf-8")
        return path

    def rig(self, text: str, name: str = "rig.toml") -> Path:
        """Write a rig: `<maps>` in it are the shipped maps, any other `<name>` is a port."""
        text = text.replace("<maps>", str(MAPPINGS))
        for word in sorted(set(re.findall(r"<([a-z-]+)>", text))):
            kind = socket.SOCK_STREAM if word == "watch" else socket.SOCK_DGRAM
            text = text.replace(f"<{word}>", str(self.port(word, kind)))
        return self.write(name, text)

    def run(self, text: str) -> Bridge:
        """Start a bridge on this rig; comes back once it is ready."""
        bridge = Bridge(self.rig(text), self.ports["watch"], self._more_env)
        self._running.append(bridge)
        bridge.says(" ready: ")
        return bridge

    def fail(self, *texts: str) -> list[str]:
        """Start bridges that cannot run, all at once; answers what they said before they failed."""
        paths = [self.rig(text, f"rig-{number}.toml") for number, text in enumerate(texts)]
        programs = [self.command("run", path) for path in paths]
        assert [program.ended() for program in programs] == [2] * len(texts)
        assert not [program.log for program in programs if "Traceback" in program.log]
        return [program.log for program in programs]

    def simulate(self, text: str, *more: str) -> Program:
        """Start the console stand-in of this rig."""
        program = Program("simulate", self.rig(text), *more, more_env=self._more_env)
        self._running.append(program)
        program.says("foldbridge simulate: ")
        return program

    def command(self, name: str, path: Path) -> Program:
        """Start another command on a file."""
        self._running.append(Program(name, path))
        return self._running[-1]

    def take_down(self) -> None:
        for program in reversed(self._running):
            program.take_down()


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    """A folder for a rig, in which bridges and stand-ins are started, and ended after the test."""
    made = House(tmp_path)
    yield made
    made.take_down()
