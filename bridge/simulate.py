"""`foldbridge simulate`: a rig's console stand-in alone, for a bridge that runs elsewhere. I/O."""

from __future__ import annotations

import asyncio
import contextlib
import re
import signal
import wave
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, cast

from bridge import limits
from bridge.errors import LinkError
from bridge.house import console_words
from bridge.links.address import MidiAddress, SocketAddress, parse_address
from bridge.links.midi import MidiHub, MidiLink
from bridge.loading import load, marks_of
from bridge.rig.rig import Rig
from bridge.simulator.facts import Road, facts_from
from bridge.simulator.network import LossyNetwork
from bridge.simulator.recorder import RecordingFile
from bridge.simulator.recording import Facts, note
from bridge.simulator.server import Console, LinkLike
from bridge.simulator.stand_in import StandIn

ROAD = Road(delay_s=0.05, news_s=0.5)
"""What the witness grants the way between two programs of one network."""

DEFAULT_PORT = "Console stand-in"

SNAPSHOT_S, HEAR_S_MAX = 0.05, 60.0
"""As ``bridge/simulator/hear.py`` has them, which is loaded only when somebody listens."""


@dataclass(slots=True)
class Simulation:
    """A stand-in, what it records and where it listens.

    Args:
        path: The rig.
        seed: Which packets are lost.
        loss: Share of packets lost either way, 0..0.5.
        hear_s: How long the mixes are listened to, s, 0..60; it ends by itself then. 0: not.

    Attributes:
        looks: What the console held while it was listened to, every ``SNAPSHOT_S``.

    Raises:
        RigError, MapError: the files cannot be.
        LinkError: a loss that cannot be, or that this console's link cannot have.
    """

    path: Path
    seed: int = 1
    loss: float = 0.0
    hear_s: float = 0.0
    looks: list[list[float]] = field(init=False, default_factory=list)
    rig: Rig = field(init=False)
    stand_in: StandIn = field(init=False)
    console: Console = field(init=False)
    facts: Facts = field(init=False)
    _record: Callable[[dict[str, Any]], None] = field(init=False)
    _link: MidiLink | None = field(init=False, default=None)

    def __post_init__(self) -> None:
        if not 0.0 <= self.loss <= limits.SIMULATED_LOSS_MAX:
            raise LinkError(
                "--loss", f"found {self.loss}", f"expected 0 to {limits.SIMULATED_LOSS_MAX:g}"
            )
        if not 0.0 <= self.hear_s <= HEAR_S_MAX:
            raise LinkError("--hear", f"found {self.hear_s}", f"expected 0 to {HEAR_S_MAX:g} s")
        self.rig, maps = load(self.path)
        if self.loss and (self.rig.file.console.send or "").startswith("tcp"):
            raise LinkError("--loss", "a TCP link loses nothing", "use a udp:// console, or 0")
        map_file = maps[self.rig.file.console.map]
        far = console_words(self.rig, map_file, at_console=True)
        near = console_words(self.rig, map_file)
        self._record = lambda line: None
        self.stand_in = StandIn(far, self.rig.layout, lambda line: self._record(line))
        marks = marks_of(self.rig)
        self.facts = facts_from(self.rig, near, self.stand_in.values, ROAD, marks=marks)
        self.console = Console(
            self.stand_in,
            to_console=LossyNetwork(self.seed, loss=self.loss),
            to_bridge=LossyNetwork(self.seed + 1, loss=self.loss),
        )

    async def run(
        self, stop: asyncio.Event, ready: Callable[[str], None], record: Path | None = None
    ) -> None:
        """Be a console until told to stop.

        Args:
            stop: Set to end it.
            ready: Called with where it listens, in words.
            record: Where the recording goes, whole lines only, complete when this returns.

        Raises:
            LinkError: the address or the file cannot be used.
        """
        with contextlib.ExitStack() as stack:
            if record is not None:
                self._record = stack.enter_context(self._recording(record))
                # Who opens a bus is known to the bridge alone, and it need not be the stand-in's.
                self._record(note(asyncio.get_running_loop().time(), "allowed_open"))
            try:
                ready(await self._open())
                if self.hear_s:
                    await self._listen(stop)
                else:
                    await stop.wait()
            finally:
                self.console.close()
                if self._link is not None:
                    await self._link.close()

    async def _listen(self, stop: asyncio.Event) -> None:
        """Look at the matrix again and again, for as long as it is listened to."""
        loop = asyncio.get_running_loop()
        start_s = loop.time()
        for look in range(1, round(self.hear_s / SNAPSHOT_S) + 1):
            self.looks.append(list(self.stand_in.values))
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(stop.wait(), start_s + look * SNAPSHOT_S - loop.time())
                return

    def write_sound(self, folder: Path) -> list[str]:
        """Write what was listened to, one WAV file a bus: 24 bits, 48,000 samples a second.

        Returns:
            What was written, in words.

        Raises:
            LinkError: the folder or a file cannot be written.
        """
        from bridge.simulator.hear import RATE_HZ, heard, pcm_24

        sound = heard(self.rig, self.facts, self.looks or [self.stand_in.values])
        said = []
        try:
            folder.mkdir(parents=True, exist_ok=True)
            for bus, samples in zip(self.rig.file.bus, sound.mixes, strict=True):
                path = folder / f"{bus.id}.wav"
                with wave.open(str(path), "wb") as file:
                    file.setnchannels(samples.shape[1])
                    file.setsampwidth(3)
                    file.setframerate(RATE_HZ)
                    file.writeframes(pcm_24(samples))
                said.append(f"{path}: {bus.label or bus.id}, {len(samples) / RATE_HZ:.1f} s")
        except OSError as error:
            raise LinkError("--hear-to", f"{folder}: {error.strerror}",
                            "name a folder that can be written") from None  # fmt: skip
        if sound.scaled_db < 0.0:
            said.append(
                f"all turned down by {-sound.scaled_db:.2f} dB together, so that none clips"
            )
        return said

    def _recording(self, record: Path) -> RecordingFile:
        now_s = asyncio.get_running_loop().time()
        try:
            return RecordingFile(record, self.facts, at_s=now_s)
        except OSError as error:
            raise LinkError("--record", f"{record}: {error.strerror}",
                            "name a file that can be written") from None  # fmt: skip

    async def _open(self) -> str:
        """Listen where the rig's bridge will look for the console; answers where, in words."""
        declared, at = self.rig.file.console, self.rig.at
        if declared.midi is not None:
            return await self._open_midi(declared.midi, at(("console", "midi")))
        where = at(("console", "send"))
        place = parse_address(declared.send or "", where)
        if not isinstance(place, SocketAddress):
            raise LinkError(where, f"found {declared.send}", "expected udp://... or tcp://...")
        try:
            if place.transport == "udp":
                await self.console.listen_udp(place.host, place.port, stamped=True)
            else:
                framing = cast(Literal["size", "slip"], place.framing)
                await self.console.listen_tcp(place.host, place.port, framing)
        except OSError as error:
            found = f"{declared.send}: {error.strerror or error}"
            raise LinkError(where, found, "stop what uses this port, or name an address of this "
                            "machine") from None  # fmt: skip
        return declared.send or ""

    async def _open_midi(self, pattern: str, where: str) -> str:
        address = far_port(pattern, where)
        link = MidiLink("console stand-in", lambda batch: None, address=address, hub=MidiHub())
        self.console.attach(cast(LinkLike, link))
        await link.open()
        self._link = link
        return f"MIDI port {address.pattern}"


def far_port(pattern: str, where: str) -> MidiAddress:
    """The port that the stand-in makes, or takes, for a bridge that looks for ``pattern``.

    A bridge that looks for a port finds one of that name; one that makes its own is looked for.

    Raises:
        LinkError: the pattern is no MIDI address.
    """
    text = pattern if pattern.startswith(("midi:", "midi-virtual:")) else f"midi:{pattern}"
    wanted = parse_address(text, where)
    if not isinstance(wanted, MidiAddress):
        raise LinkError(where, f"found {pattern}", "expected a MIDI port's name")
    if wanted.virtual:
        return MidiAddress(f"{wanted.pattern}*")
    plain = re.sub(r"\[.[^\]]*\]|[*?]", "", wanted.pattern).strip()
    return MidiAddress(plain or DEFAULT_PORT, virtual=True)


def simulate(
    path: Path,
    *,
    record: Path | None = None,
    seed: int = 1,
    loss: float = 0.0,
    hear_s: float = 0.0,
    hear_to: Path | None = None,
) -> int:
    """Run a rig's console stand-in until Ctrl-C or SIGTERM.

    Args:
        path: The rig.
        record: Where to keep what it receives, for ``foldbridge witness``.
        seed: Which packets are lost.
        loss: Share of packets lost either way, 0..0.5.
        hear_s: Listen to the mixes for so long, s, and end then; 0: not.
        hear_to: Folder for what was heard; the present one when missing.

    Returns:
        0: it was ended by hand, or what was heard is written.

    Raises:
        RigError, MapError, LinkError: it cannot run as declared.
    """
    simulation = Simulation(path, seed, loss, hear_s)

    def ready(where: str) -> None:
        name = simulation.rig.file.rig.name
        until = f"it listens for {hear_s:g} s" if hear_s else "Ctrl-C ends it"
        print(f"foldbridge simulate: the console of {name} listens at {where}; {until}", flush=True)

    asyncio.run(until_signal(simulation, ready, record))
    if hear_s:
        print("\n".join(simulation.write_sound(hear_to or Path())), flush=True)
    return 0


async def until_signal(
    simulation: Simulation, ready: Callable[[str], None], record: Path | None
) -> None:
    """Run a simulation until SIGINT or SIGTERM; arguments as ``Simulation.run``."""
    loop, stop = asyncio.get_running_loop(), asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        with contextlib.suppress(NotImplementedError):
            loop.add_signal_handler(number, stop.set)
    await simulation.run(stop, ready, record)
