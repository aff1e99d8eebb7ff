"""The process that touches one MIDI driver, so that a driver that hangs stops nobody else. I/O.

Started by the bridge as ``python -m bridge.links.midi_helper jack``. It takes frames on its
standard input and answers on its standard output (:mod:`bridge.links.midi_frames`), prints nothing
and ends when the input ends. If the bridge falls silent, the system's own alarm kills it: a thread
that spins inside a driver would never see the end of the input.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import sys
import threading
import time
from collections.abc import Iterator
from typing import Any

from bridge.links import midi_frames as frames
from bridge.links.midi_names import CLIENT

POLL_S = 0.5
"""Time between two looks at the list of ports, since no driver tells. A look takes some 0.4 ms, one
for a driver that is not there up to 6 ms."""

LOOK_S_MAX = 3.0
"""A look at the list that takes longer than this means that the driver hangs."""

ECHO_S_MAX = 3.0
"""A JACK server that carries no message for so long is dead, or has thrown this client out. After
another program crashed it may stand still for a second or two."""

FETCH_S = 0.001
"""Time between two looks for messages at a JACK server, whose own period is as long or longer.

They are fetched and not called back: a callback waits for Python's lock, which opening and closing
ports hold, and a server in step with its clients would wait for the callback, for a minute."""

SILENCE_S = 5
"""The bridge speaks four times a second; after this silence it is gone."""

START_S = 15
"""The bridge speaks only when the driver has answered, which it waits for somewhat less long."""

_APIS = {
    "alsa": "LINUX_ALSA",
    "jack": "UNIX_JACK",
    "coremidi": "MACOSX_CORE",
    "winmm": "WINDOWS_MM",
}
_ENDED, _SERVER_LOST = 0, 3
_ACTIVE_SENSING = b"\xfe"  # says nothing but "I am here" (MIDI 1.0, "Active Sensing")


class Voice:
    """What the helper says to the bridge; the driver's thread speaks here too.

    Attributes:
        dropped: Messages lost because the bridge did not read.
    """

    def __init__(self, pipe: int) -> None:
        self._pipe, self.dropped = pipe, 0
        if sys.platform != "win32":
            os.set_blocking(pipe, False)

    def heard(self, event: tuple[list[int], float], port: int) -> None:
        """Pass a message on: called by the driver, in its thread, so it never waits."""
        try:
            body = bytes(event[0])
            if len(body) > frames.MESSAGE_BYTES_MAX:
                raise OverflowError
            os.write(self._pipe, frames.frame(frames.HEARD, port, body))
        except (OSError, OverflowError, ValueError):
            self.dropped += 1

    def say(self, kind: int, port: int = 0, body: bytes = b"") -> None:
        """Tell something; wait for room if there is none."""
        while True:
            try:
                os.write(self._pipe, frames.frame(kind, port, body))
                return
            except BlockingIOError:
                select.select([], [self._pipe], [], 1.0)
            except OSError:
                os._exit(_ENDED)


class Driver:
    """The ports of one driver."""

    def __init__(self, api: str, voice: Voice) -> None:
        self._api, self._voice = api, voice
        self._lock = threading.Lock()
        self._ports: dict[int, Any] = {}
        self._lists: tuple[Any, Any] | None = None
        self._told: tuple[list[str], list[str]] | str | None = None
        self._asked_s: float | None = None
        self._fetched: dict[int, Any] = {}
        self._fetching, self._to_fetch = threading.Lock(), threading.Event()
        self.looked_at_s = time.monotonic()

    def watch(self) -> None:
        """Look at the list of ports again and again: the body of a thread."""
        while True:
            with self._lock:
                self._tell(self._look())
            self.looked_at_s = time.monotonic()
            time.sleep(POLL_S)
            self.looked_at_s = time.monotonic()

    def fetch(self) -> None:
        """Pass on what came through ports that are not called back: the body of a thread."""
        while self._to_fetch.wait():
            with self._fetching:  # a client that is gone must not be asked
                for port, client in self._fetched.items():
                    while event := client.get_message():
                        self._voice.heard(event, port)
            time.sleep(FETCH_S)

    def _fetch_from(self, port: int, client: Any) -> None:
        """Fetch messages from a port from now on; None: no more."""
        with self._fetching:
            self._fetched.pop(port, None)
            if client is not None:
                self._fetched[port] = client
            if self._fetched:
                self._to_fetch.set()
            else:
                self._to_fetch.clear()

    def _look(self) -> tuple[list[str], list[str]] | str:
        """The names of inputs and outputs, or why there are none."""
        try:
            if self._lists is None:  # one pair for the process's life: others leak, and crash macOS
                with self._patience():
                    self._lists = self._pair()
            inputs, outputs = self._lists[0].get_ports(), self._lists[1].get_ports()
        except Exception as fault:
            return str(fault) or type(fault).__name__
        if self._api == "jack":
            self._check_echo()
        return inputs, outputs

    def _pair(self) -> tuple[Any, Any]:
        """Two clients that look at the lists; at a JACK server, the one can hear the other."""
        inputs = self._client(False)
        try:
            outputs = self._client(True)
        except Exception:
            _leave(inputs)
            raise
        if self._api == "jack":
            mark = f"alive {os.getpid()}"
            outputs.open_virtual_port(mark)
            inputs.ignore_types(active_sense=False)
            _connect(inputs, next(n for n in inputs.get_ports() if n.endswith(mark)), 0)
        return inputs, outputs

    def _check_echo(self) -> None:
        """Start over in a new process if the server is dead: its clients are so for good.

        The lists of a dead server stay as they were, so only a message through it can tell.
        """
        assert self._lists is not None
        inputs, outputs = self._lists
        now_s = time.monotonic()
        if inputs.get_message():
            self._asked_s = None
        if self._asked_s is None:
            self._asked_s = now_s
            outputs.send_message(_ACTIVE_SENSING)
        elif now_s - self._asked_s > ECHO_S_MAX:
            os._exit(_SERVER_LOST)

    def _tell(self, seen: tuple[list[str], list[str]] | str) -> None:
        """Tell what changed since the last look."""
        if seen == self._told:
            return
        self._told = seen
        if not isinstance(seen, str):
            for output, names in enumerate(seen):
                for name in names:
                    self._voice.say(frames.LISTED, output, name.encode("utf-8", "surrogateescape"))
        self._voice.say(frames.UP, 0, seen.encode() if isinstance(seen, str) else b"")

    def _client(self, output: bool, name: str = CLIENT) -> Any:
        """A new client at the driver."""
        import rtmidi

        api = getattr(rtmidi, f"API_{_APIS[self._api]}")
        if api not in rtmidi.get_compiled_api():
            raise OSError(f"this python-rtmidi was built without {self._api}")
        return (rtmidi.MidiOut if output else rtmidi.MidiIn)(api, name)

    def open(self, port: int, body: bytes) -> None:
        """Open a port, and say whether that went well."""
        what, twin, name = frames.open_wish(body)
        try:
            with self._lock, self._patience():
                self._ports[port] = self._opened(port, what, twin, name)
        except Exception as fault:
            return self._voice.say(frames.FAILED, port, f"{name}: {fault}".encode())
        self._voice.say(frames.OPENED, port)

    def _opened(self, port: int, what: int, twin: int, name: str) -> Any:
        """A client that is connected to the port, or that is one."""
        output = what in (frames.OUTPUT, frames.VIRTUAL_OUTPUT)
        virtual = what in (frames.VIRTUAL_INPUT, frames.VIRTUAL_OUTPUT)
        client = self._client(output, name if virtual else CLIENT)
        if not output:
            client.ignore_types(sysex=False, timing=True, active_sense=False)
            if self._api != "jack":
                client.set_callback(self._voice.heard, port)
        try:
            if virtual:
                client.open_virtual_port(f"{name} {'out' if output else 'in'}")
            else:
                _connect(client, name, twin)
        except Exception:
            _leave(client)
            raise
        if not output and self._api == "jack":
            self._fetch_from(port, client)
        return client

    def close(self, port: int) -> None:
        """Close a port."""
        client = self._ports.pop(port, None)
        if client is not None:
            self._fetch_from(port, None)
            with self._lock, self._patience():
                _leave(client)

    @contextlib.contextmanager
    def _patience(self) -> Iterator[None]:
        """Ask bridge and alarm for patience: a driver may take seconds for what is inside."""
        self._voice.say(frames.BUSY, 0, frames.count_body(1))
        _alarm(SILENCE_S + int(frames.BUSY_S))
        try:
            yield
        finally:
            self._voice.say(frames.BUSY, 0, frames.count_body(0))
            _alarm()

    def send(self, port: int, message: bytes) -> None:
        """Give one message to a port; this is where a dead driver hangs."""
        client = self._ports.get(port)
        try:
            if client is not None:
                client.send_message(message)
        except Exception:
            self._voice.dropped += 1

    def leave(self) -> None:
        """Close everything, in order: a JACK server waits long for clients that just vanish."""
        self._lock.acquire()  # for good, so that nobody looks at a list that is gone
        self._fetching.acquire()  # nor at a port
        for client in (*self._ports.values(), *(self._lists or ())):
            _leave(client)


def _leave(client: Any) -> None:
    """Take a client away from its driver."""
    if hasattr(client, "cancel_callback"):
        client.cancel_callback()  # first: closing under a callback crashes
    client.close_port()
    client.delete()


def _connect(client: Any, name: str, twin: int) -> None:
    """Connect to a port by name; numbers shift while devices come and go, so look twice."""
    place = _index(client, name, twin)
    client.open_port(place, "link")
    if _index(client, name, twin) != place:
        raise OSError("the list of ports changed meanwhile")


def _index(client: Any, name: str, twin: int) -> int:
    """Where a name stands in the list now; ``twin`` says which one of several equal names."""
    places = [place for place, listed in enumerate(client.get_ports()) if listed == name]
    if twin >= len(places):
        raise OSError("it has just gone")
    return int(places[twin])


def _alarm(seconds: int = SILENCE_S) -> None:
    """Ask the system to end this process if the bridge stays silent."""
    if hasattr(signal, "alarm"):
        signal.alarm(seconds)


def _serve(driver: Driver, voice: Voice) -> None:
    """Do what the bridge says until it stops talking."""
    stream = frames.Frames()
    while data := os.read(0, 65536):
        for kind, port, body in stream.feed(data):
            if kind == frames.SEND:
                driver.send(port, body)
            elif kind == frames.OPEN:
                driver.open(port, body)
            elif kind == frames.CLOSE:
                driver.close(port)
            elif kind == frames.PING and time.monotonic() - driver.looked_at_s < LOOK_S_MAX:
                _alarm()
                voice.say(frames.PONG, 0, frames.count_body(voice.dropped))


def _own_pipe() -> int:
    """Keep the standard output for frames; what libraries print goes nowhere."""
    pipe, nowhere = os.dup(1), os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    if sys.platform == "win32":
        import msvcrt

        msvcrt.setmode(0, os.O_BINARY)
        msvcrt.setmode(pipe, os.O_BINARY)
    return pipe


def main(api: str) -> None:
    """Serve one driver until the bridge ends."""
    os.environ.setdefault("JACK_NO_START_SERVER", "1")  # else libjack starts one of its own
    for number in (signal.SIGINT, signal.SIGTERM):  # both may go to a whole group or service:
        signal.signal(number, signal.SIG_IGN)  # they are for the bridge, which then ends us
    voice = Voice(_own_pipe())
    driver = Driver(api, voice)
    _alarm(START_S)
    threading.Thread(target=driver.watch, name="watch", daemon=True).start()
    threading.Thread(target=driver.fetch, name="fetch", daemon=True).start()
    _serve(driver, voice)
    driver.leave()
    os._exit(_ENDED)  # no destructors: they wait for drivers that are dead


if __name__ == "__main__":
    main(sys.argv[1])
