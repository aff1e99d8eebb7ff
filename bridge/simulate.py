"""`foldbridge simulate`: a rig's console stand-in alone, for a bridge that runs elsewhere. I/O."""

from __future__ import annotations

import asyncio
import contextlib
import re
import signal
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, cast

from bridge import limits
from bridge.daemon import load
from bridge.errors import LinkError
from bridge.house import console_words
from bridge.links.address import MidiAddress, SocketAddress, parse_address
from bridge.links.midi import MidiHub, MidiLink
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


@dataclass(slots=True)
class Simulation:
    """A stand-in, what it records and where it listens.

    Args:
        path: The rig.
        seed: Which packets are lost.
        loss: Share of packets lost either way, 0..0.5.

    Raises:
        RigError, MapError: the files cannot be.
        LinkError: a loss that cannot be, or that this console's link cannot have.
    """

    path: Path
    seed: int = 1
    loss: float = 0.0
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
        self.rig, maps = load(self.path)
        if self.loss and (self.rig.file.console.send or "").startswith("tcp"):
            raise LinkError("--loss", "a TCP link loses nothing", "use a udp:// console, or 0")
        map_file = maps[self.rig.file.console.map]
        far = console_words(self.rig, map_file, at_console=True)
        near = console_words(self.rig, map_file)
        self._record = lambda line: None
        self.stand_in = StandIn(far, self.rig.layout, lambda line: self._record(line))
        self.facts = facts_from(self.rig, near, self.stand_in.values, ROAD)
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
                await stop.wait()
            finally:
                self.console.close()
                if self._link is not None:
                    await self._link.close()

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
                await self.console.listen_udp(place.host, place.port)
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


def simulate(path: Path, *, record: Path | None = None, seed: int = 1, loss: float = 0.0) -> int:
    """Run a rig's console stand-in until Ctrl-C or SIGTERM.

    Args:
        path: The rig.
        record: Where to keep what it receives, for ``foldbridge witness``.
        seed: Which packets are lost.
        loss: Share of packets lost either way, 0..0.5.

    Returns:
        0: it was ended by hand.

    Raises:
        RigError, MapError, LinkError: it cannot run as declared.
    """
    simulation = Simulation(path, seed, loss)

    def ready(where: str) -> None:
        name = simulation.rig.file.rig.name
        print(f"foldbridge simulate: the console of {name} listens at {where}; Ctrl-C ends it",
              flush=True)  # fmt: skip

    asyncio.run(until_signal(simulation, ready, record))
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
