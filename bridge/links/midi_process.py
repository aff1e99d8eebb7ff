"""One MIDI helper process: started, watched, killed when it hangs, started again. I/O."""

from __future__ import annotations

import asyncio
import logging
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Protocol, cast

import bridge
from bridge.links import midi_frames as frames
from bridge.links.base import Backoff
from bridge.links.midi_names import MidiPort, listed

log = logging.getLogger(__name__)

PROGRAM = (sys.executable, "-m", "bridge.links.midi_helper")
"""The helper's program."""

PING_S = 0.25
"""Time between two questions whether the helper lives."""

ANSWER_S = 1.0
"""A helper that does not answer for so long hangs in its driver, unless it said that it is busy."""

GRACE_S = 0.1
"""After a late answer seems missing, the bridge itself may have been busy: look once more."""

START_S = 10.0
"""Time that a helper may take to start: a small computer reads it from a slow card."""

STOP_S = 5.0
"""Time that a helper may take to close its ports; a JACK server suffers from one that is killed."""

PIPE_BYTES_MAX = 16 * 1024
"""Bytes kept for a helper that takes none: what waits there grows old."""


class Owner(Protocol):
    """Whoever opened a port."""

    def opened(self) -> None:
        """Hear that the port is open."""

    def failed(self, why: str) -> None:
        """Hear that the port cannot be opened."""

    def heard(self, messages: list[bytes]) -> None:
        """Hear messages that came through it together, oldest first."""


class Helper:
    """A helper process for one driver, kept alive.

    Attributes:
        api: ``alsa``, ``jack``, ``coremidi`` or ``winmm``.
        ready: True while the driver answers.
        why_not: The driver's own words while ``ready`` is False.
        ports: What the driver lists; empty while there is no helper.
        restarts: How often the process had to be started again.
        dropped: Messages lost because the bridge or a driver did not take them.
    """

    def __init__(
        self, api: str, changed: Callable[[], None], *, program: Sequence[str] = PROGRAM
    ) -> None:
        """Prepare; nothing runs before it starts.

        Args:
            api: The driver, told to the program as its last argument.
            changed: Told when ports come and go.
            program: What to run.
        """
        self.api, self._changed, self._program = api, changed, tuple(program)
        self.ready, self.why_not = False, "it is still starting"
        self.ports: tuple[MidiPort, ...] = ()
        self.restarts = self.dropped = 0
        self.looked = asyncio.Event()
        self._owners: dict[int, Owner] = {}
        self._next = 0
        self._pipes: _Pipes | None = None
        self._task: asyncio.Task[None] | None = None

    @property
    def pid(self) -> int | None:
        """The process's number, None while there is none."""
        return self._pipes.pid if self._pipes is not None else None

    def start(self) -> None:
        """Start the process in the background and keep it alive."""
        self._task = asyncio.create_task(self._keep(), name=f"MIDI helper {self.api}")

    async def stop(self) -> None:
        """End the process; it closes its ports first, if it can."""
        task, self._task = self._task, None
        if task is not None:
            task.cancel()
            await asyncio.wait({task})

    def open_port(self, what: int, twin: int, name: str, owner: Owner) -> int | None:
        """Ask for a port; its number, or None if there is no helper or no number left."""
        turn = (n % frames.PORTS_MAX for n in range(self._next, self._next + frames.PORTS_MAX))
        free = next((number for number in turn if number not in self._owners), None)
        if free is None or not self._write(
            frames.frame(frames.OPEN, free, frames.open_body(what, twin, name))
        ):
            return None
        self._owners[free] = owner
        self._next = free + 1  # not the same again soon: words about the old port may be on the way
        return free

    def close_port(self, port: int) -> None:
        """Give a port back."""
        if self._owners.pop(port, None) is not None:
            self._write(frames.frame(frames.CLOSE, port))

    def send(self, port: int, message: bytes) -> bool:
        """Hand one message over for a port; False: too much waits already, or no helper."""
        return self._write(frames.frame(frames.SEND, port, message))

    def _write(self, data: bytes) -> bool:
        """Hand bytes to the helper, if it takes any."""
        return self._pipes is not None and self._pipes.write(data)

    async def _keep(self) -> None:
        """Start the helper, watch it, start it again: the only task."""
        loop, backoff = asyncio.get_running_loop(), Backoff()
        while True:
            began_s = loop.time()
            try:
                await self._live()
            except Exception as fault:
                self.why_not = f"{self._program[0]} does not start: {fault}"
            finally:
                self._gone()
            log.info("MIDI helper %s ended (%s), it starts again", self.api, self.why_not)
            self.restarts += 1
            backoff.lasted(loop.time() - began_s)
            await asyncio.sleep(backoff.wait_s())

    async def _live(self) -> None:
        """One helper from its start to its end."""
        pipes = _Pipes(self._frames)
        transport, _ = await asyncio.get_running_loop().subprocess_exec(
            lambda: pipes,
            *self._program,
            self.api,
            stderr=asyncio.subprocess.DEVNULL,
            env=_environment(),
        )
        try:
            self._pipes = pipes
            await self._watch(pipes)
        except asyncio.CancelledError:
            await _stopped(pipes, transport)
            raise
        finally:
            self._pipes = None
            transport.close()  # kills it if it still lives

    async def _watch(self, pipes: _Pipes) -> None:
        """Come back when the helper has ended, or hangs."""
        if not await _within(START_S, pipes.answered):
            self.why_not = f"it said nothing for {START_S:g} s"
            return
        while not pipes.ended.is_set():
            pipes.answered.clear()
            pipes.write(frames.frame(frames.PING))
            if not await _answers(pipes):
                self.why_not = "the driver did not answer in time"
                return
            await _within(PING_S, pipes.ended)
        self.why_not = "the driver is gone"

    def _frames(self, pipes: _Pipes, heard: list[tuple[int, int, bytes]]) -> None:
        """Take what the helper says."""
        messages: dict[int, list[bytes]] = {}
        for kind, port, body in heard:
            if kind == frames.HEARD:
                messages.setdefault(port, []).append(body)
            elif kind == frames.PONG:
                self.dropped = frames.body_count(body)
            elif kind == frames.BUSY:
                pipes.busy = frames.body_count(body) > 0
            elif kind == frames.LISTED:
                pipes.names[port & 1].append(frames.text(body))
            elif kind == frames.UP:
                self._looked(pipes, frames.text(body))
            elif owner := self._owners.get(port):
                owner.opened() if kind == frames.OPENED else owner.failed(frames.text(body))
        for port, batch in messages.items():
            if owner := self._owners.get(port):
                owner.heard(batch)

    def _looked(self, pipes: _Pipes, why_not: str) -> None:
        """Take over a complete list of ports."""
        inputs, outputs = pipes.names
        pipes.names = ([], [])
        self.ready, self.why_not = not why_not, why_not
        self.ports = listed(self.api, False, inputs) + listed(self.api, True, outputs)
        self.looked.set()
        self._changed()

    def _gone(self) -> None:
        """Forget what only the helper knew."""
        self._owners.clear()
        self.ready, self.ports = False, ()
        self._changed()


class _Pipes(asyncio.SubprocessProtocol):
    """The pipes to and from one helper process."""

    def __init__(self, heard: Callable[[_Pipes, list[tuple[int, int, bytes]]], None]) -> None:
        self._heard, self._stream = heard, frames.Frames()
        self._input: asyncio.WriteTransport | None = None
        self.pid: int | None = None
        self.busy = False
        self.names: tuple[list[str], list[str]] = ([], [])
        self.answered, self.ended = asyncio.Event(), asyncio.Event()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Find the pipe that leads to the helper."""
        process = cast(asyncio.SubprocessTransport, transport)
        self.pid = process.get_pid()
        self._input = cast(asyncio.WriteTransport, process.get_pipe_transport(0))

    def pipe_data_received(self, fd: int, data: bytes) -> None:
        """Cut what the helper says into frames; whatever it says proves that it lives."""
        heard = self._stream.feed(data)
        if any(kind in (frames.PONG, frames.UP) for kind, _, _ in heard):
            self.answered.set()
        self._heard(self, heard)

    def process_exited(self) -> None:
        """Notice the end."""
        self.ended.set()
        self.answered.set()

    def write(self, data: bytes) -> bool:
        """Hand bytes over, unless too many wait or the helper is gone."""
        pipe = self._input
        if pipe is None or pipe.is_closing():
            return False
        if pipe.get_write_buffer_size() + len(data) > PIPE_BYTES_MAX:
            return False
        pipe.write(data)
        return True

    def close_input(self) -> None:
        """Tell the helper to end."""
        if self._input is not None:
            self._input.close()


async def _within(seconds: float, event: asyncio.Event) -> bool:
    """True if something happens in time; what came while this process was busy counts too."""
    try:
        async with asyncio.timeout(seconds):
            await event.wait()
    except TimeoutError:
        if seconds > PING_S and not event.is_set():
            await asyncio.sleep(GRACE_S)
    return event.is_set()


async def _answers(pipes: _Pipes) -> bool:
    """True if a helper answers in the time that what it does may take, or has ended."""
    if await _within(ANSWER_S, pipes.answered):
        return True
    return pipes.busy and await _within(frames.BUSY_S, pipes.answered)


async def _stopped(pipes: _Pipes, transport: asyncio.SubprocessTransport) -> None:
    """Have a helper close its ports and end; one that cannot is killed."""
    pipes.close_input()
    if not await _within(STOP_S, pipes.ended):
        transport.kill()
        await _within(STOP_S, pipes.ended)


def _environment() -> dict[str, str]:
    """The bridge's environment, in which the helper finds the bridge's package."""
    home = str(Path(bridge.__file__).resolve().parent.parent)
    paths = [home, *filter(None, [os.environ.get("PYTHONPATH")])]
    return {**os.environ, "PYTHONPATH": os.pathsep.join(paths)}
