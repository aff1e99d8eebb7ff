"""A JACK server and a MIDI player in processes of their own: hardware that tests can unplug."""

from __future__ import annotations

import fcntl
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import pytest
from waiting import until

SERVERS = tuple(f"foldbridge-{number}" for number in range(7))
"""A machine has room for eight JACK servers, and a killed one keeps its place until a server of the
same name starts: so the names are fixed, and there are fewer than eight."""

READY_S = 30.0
"""A server in step stands still for 10 s when a client dies; then whoever waits goes on."""


class JackServer:
    """A JACK server with the dummy driver: 48 kHz, 64 frames.

    In step with its clients it loses no event of a slow one, but stands still when one dies (seen
    with jackd 1.9.21: for twenty times the ``-t`` time). Not in step it forgets the dead after that
    time, but loses events of clients that are late.
    """

    def __init__(self, name: str) -> None:
        self.name = name
        self.process: subprocess.Popen[bytes] | None = None
        self._lock: IO[str] | None = None

    def keep_running(self) -> None:
        """Start it if a test has ended it, and anew if one has left it standing still."""
        if not self._ended() and not self._answers():
            self.stop()
        if self._ended():
            assert self.start(), f"another program has taken the JACK server {self.name}"

    def reserve(self) -> bool:
        """Take the name for this process; False if another one has it, or left a server behind."""
        self._lock = (Path(tempfile.gettempdir()) / f"{self.name}.lock").open("a")
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return not self._answers()

    def give_back(self) -> None:
        """Leave the name to others."""
        if self._lock is not None:
            self._lock.close()
            self._lock = None

    def start(self, *, in_step: bool = True) -> bool:
        """Start it; False if a server of this name runs already."""
        self.process = subprocess.Popen(
            [
                *("jackd", "--no-realtime", "--port-max", "64", "-n", self.name),
                *(("-S",) if in_step else ()),
                *("-t", "500"),
                *("-d", "dummy", "-r", "48000", "-p", "64"),
            ],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            until(lambda: self._ended() or self._answers(), READY_S, f"jackd {self.name} to start")
        except BaseException:
            self.stop()
            raise
        return not self._ended()

    def stop(self) -> None:
        """End it in order, which frees its place among the eight."""
        if self.process is not None:
            self.process.send_signal(signal.SIGCONT)
            self.process.terminate()
            try:
                self.process.wait(5)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
            self.process = None

    def kill(self) -> None:
        """Let it die on the spot."""
        assert self.process is not None
        self.process.kill()
        self.process.wait()

    def freeze(self) -> None:
        """Let it hang."""
        assert self.process is not None
        self.process.send_signal(signal.SIGSTOP)

    def environment(self) -> dict[str, str]:
        """What a client needs to find this server and start no other."""
        return {"JACK_DEFAULT_SERVER": self.name, "JACK_NO_START_SERVER": "1"}

    def ports(self) -> list[str]:
        """The names of all ports; none while the server does not answer."""
        try:
            listed = subprocess.run(
                ["jack_lsp", "-s", self.name],
                env=os.environ | self.environment(),
                capture_output=True,
                text=True,
                timeout=2,
                check=False,
            )
        except subprocess.TimeoutExpired:
            return []
        return listed.stdout.splitlines()

    def _answers(self) -> bool:
        return any(name.startswith("system:") for name in self.ports())

    def _ended(self) -> bool:
        return self.process is None or self.process.poll() is not None


class MidiPlayer:
    """A controller in a process of its own: ``NAME:out`` gives messages, ``NAME:in`` takes them."""

    def __init__(self, name: str, server: JackServer) -> None:
        self.name, self.got = name, list[bytes]()
        self._process = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("midi_player.py")), name],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=os.environ | server.environment(),
            text=True,
        )
        self._ready = threading.Event()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        if not self._ready.wait(READY_S):
            self.unplug()
            raise AssertionError(f"the player {name} found no JACK server {server.name}")

    def play(self, *messages: bytes) -> None:
        """Send messages, one after the other."""
        self._tell([list(message) for message in messages])

    def unplug(self) -> None:
        """Pull the cable. The player leaves in order, for JACK's sake."""
        assert self._process.stdin is not None
        self._process.stdin.close()
        try:
            self._process.wait(READY_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._reader.join(5)

    def _tell(self, words: object) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(words) + "\n")
        self._process.stdin.flush()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            if line == "ready\n":
                self._ready.set()
            else:
                self.got.append(bytes(json.loads(line)))


class _Shared:
    """One server for a whole run of pytest, however many folders ask for it."""

    server: JackServer | None = None
    users = 0


def _first_free(worker: str) -> JackServer:
    """Start a server under a name that nobody uses: other runs of these tests may go on now."""
    number = int(worker[2:]) if worker.startswith("gw") else 0
    names = SERVERS[number % len(SERVERS) :] + SERVERS[: number % len(SERVERS)]
    for name in names:
        server = JackServer(name)
        if server.reserve() and server.start():
            return server
        server.give_back()
    raise AssertionError(f"no JACK server could be started under any of {', '.join(names)}")


@pytest.fixture(scope="session")
def _jack() -> Iterator[JackServer]:
    for program in ("jackd", "jack_lsp"):
        if shutil.which(program) is None:
            pytest.skip(f"{program} is missing: install the packages jackd2 and jack-tools")
    pytest.importorskip("rtmidi", reason="python-rtmidi is missing: install foldbridge[midi]")
    if _Shared.server is None:
        _Shared.server = _first_free(os.environ.get("PYTEST_XDIST_WORKER", ""))
    _Shared.users += 1
    yield _Shared.server
    _Shared.users -= 1
    if _Shared.users == 0:
        _Shared.server.stop()
        _Shared.server.give_back()
        _Shared.server = None


@pytest.fixture
def jack_server(_jack: JackServer, monkeypatch: pytest.MonkeyPatch) -> JackServer:
    """A running JACK server that everything started by this test finds."""
    _jack.keep_running()
    for key, value in _jack.environment().items():
        monkeypatch.setenv(key, value)
    return _jack


@pytest.fixture
def rough_jack_server(jack_server: JackServer) -> Iterator[JackServer]:
    """The same server, not in step with its clients, for tests in which some of them die."""
    jack_server.stop()
    assert jack_server.start(in_step=False)
    yield jack_server
    jack_server.stop()


class PlayerMaker:
    """Makes MIDI players and takes them down at the end of the test."""

    def __init__(self, server: JackServer) -> None:
        self._server, self._players = server, list[MidiPlayer]()

    def __call__(self, name: str) -> MidiPlayer:
        self._players.append(MidiPlayer(name, self._server))
        return self._players[-1]

    def unplug_all(self) -> None:
        for player in self._players:
            player.unplug()


@pytest.fixture
def midi_player(jack_server: JackServer) -> Iterator[PlayerMaker]:
    """Call it with a name: a MIDI device in a process of its own."""
    maker = PlayerMaker(jack_server)
    yield maker
    maker.unplug_all()
