"""MIDI ports as links: found by name, taken again after each plugging in. I/O."""

from __future__ import annotations

import asyncio
import importlib
import logging
import sys
from collections.abc import Callable, Sequence

from bridge.errors import LinkError
from bridge.links import midi_frames as frames
from bridge.links.address import MidiAddress
from bridge.links.base import Batch, Link, ignore
from bridge.links.midi_names import MidiPort, chosen, made_by, matching
from bridge.links.midi_process import Helper
from bridge.wire.sensing import ACTIVE_SENSING, Sensing

log = logging.getLogger(__name__)

RETRY_S = 2.0
"""Time before a port that could not be opened is tried again: another program may have had it."""

_APIS = {"linux": ("alsa", "jack"), "darwin": ("coremidi",), "win32": ("winmm",)}
_NO_VIRTUAL = frozenset({"winmm"})
_NOT_INSTALLED = "python-rtmidi is not installed"
_INSTALL = "install it with: pip install 'foldbridge[midi]'"
NEEDS = ("any", "in", "out", "both")


def midi_available() -> tuple[bool, str]:
    """Whether MIDI can be used here, and if not, why and what to do, in one line."""
    try:
        importlib.import_module("rtmidi")
    except ImportError as fault:
        missing = isinstance(fault, ModuleNotFoundError)
        return (
            False,
            f"{_NOT_INSTALLED if missing else f'python-rtmidi fails: {fault}'}; {_INSTALL}",
        )
    return True, "python-rtmidi"


class MidiHub:
    """The MIDI drivers of this machine, shared by all MIDI links of one bridge.

    One helper process for each driver runs while a link is open.
    """

    def __init__(self, apis: Sequence[str] | None = None) -> None:
        """Prepare for some drivers; None: all that this system can have."""
        self._apis = tuple(_APIS.get(sys.platform, ("alsa",)) if apis is None else apis)
        self._links: list[MidiLink] = []
        self.helpers: tuple[Helper, ...] = ()

    @property
    def ports(self) -> tuple[MidiPort, ...]:
        """The ports of all drivers, as last seen, without those that the bridge made."""
        made = [link.address.pattern for link in self._links if link.address.virtual]
        return tuple(
            port
            for helper in self.helpers
            for port in helper.ports
            if not any(made_by(port.name, name) for name in made)
        )

    def join(self, link: MidiLink) -> None:
        """Have a link told about ports."""
        if not self._links:
            self.helpers = tuple(Helper(api, self._changed) for api in self._apis)
            for helper in self.helpers:
                helper.start()
        self._links.append(link)

    async def leave(self, link: MidiLink) -> None:
        """Forget a link; the helpers end with the last one."""
        if link in self._links:
            self._links.remove(link)
        if not self._links:
            helpers, self.helpers = self.helpers, ()
            await asyncio.gather(*(helper.stop() for helper in helpers))

    def _changed(self) -> None:
        """Have every link look at the ports again."""
        for link in tuple(self._links):
            link.settle()


class _End:
    """One direction of a link at one driver, or at whichever has the port."""

    def __init__(self, link: MidiLink, output: bool, api: str = "") -> None:
        self._link, self.output, self._api = link, output, api
        self.port: MidiPort | None = None
        self.is_open = False
        self._helper: Helper | None = None
        self._number = 0

    def settle(self, helpers: Sequence[Helper], ports: Sequence[MidiPort]) -> None:
        """Let go of a port that is gone, take the one that is meant."""
        wish = self._wish(helpers, ports)
        if wish == self.port:
            return
        self.leave()
        helper = next((h for h in helpers if wish is not None and h.api == wish.api), None)
        if wish is None or helper is None:
            return
        what = self.output + (frames.VIRTUAL_INPUT if self._link.address.virtual else frames.INPUT)
        number = helper.open_port(what, wish.twin, wish.name, self)
        if number is not None:
            self.port, self._helper, self._number = wish, helper, number

    def _wish(self, helpers: Sequence[Helper], ports: Sequence[MidiPort]) -> MidiPort | None:
        """The port that this end should have now."""
        address = self._link.address
        if not address.virtual:
            return chosen(ports, address.pattern, address.number, self.output)
        ready = any(helper.api == self._api and helper.ready for helper in helpers)
        return MidiPort(self._api, self.output, address.pattern) if ready else None

    def leave(self) -> None:
        """Let go of the port."""
        if self._helper is not None:
            self._helper.close_port(self._number)
            if not self.output:
                self._link.unplugged()
        self.port, self._helper, self.is_open = None, None, False

    def send(self, data: bytes) -> bool:
        """Hand one message to the port."""
        return self._helper is not None and self._helper.send(self._number, data)

    def opened(self) -> None:
        """Count as open."""
        self.is_open = True
        self._link.end_changed()

    def failed(self, why: str) -> None:
        """Let go, and try again after a while."""
        self.leave()
        self._link.end_failed(why)

    def heard(self, messages: list[bytes]) -> None:
        """Deliver messages under the port's name."""
        self._link.heard(messages, self.port.plain_name if self.port else "")


class MidiLink(Link):
    """A MIDI port by its name, in both directions as far as the device has them.

    Attributes:
        address: Which port.
        reliable: False: drivers lose messages without a word when too many come at once.
    """

    def __init__(
        self,
        name: str,
        inbox: Callable[[Batch], None],
        changed: Callable[[str], None] = ignore,
        *,
        address: MidiAddress,
        hub: MidiHub,
        needs: str = "any",
    ) -> None:
        """Prepare a link; nothing happens before it opens.

        Args:
            name: The link's name in the rig.
            inbox: Takes each batch of messages, one complete MIDI message per element.
            changed: Hears each new state.
            address: Which port.
            hub: The drivers.
            needs: Which directions must be there for the link to count as open: ``in``, ``out``,
                ``both``, or ``any`` one.
        """
        assert needs in NEEDS, f"'{needs}' is none of {NEEDS}"
        super().__init__(name, inbox, changed)
        self.address, self._hub, self._needs = address, hub, needs
        self._ends: tuple[_End, ...] = ()
        self._retry: asyncio.TimerHandle | None = None
        self._sensing = Sensing()
        self._silence: asyncio.TimerHandle | None = None
        self._advice = ""

    @property
    def advice(self) -> str:
        """What a person should know about the choice of the port; empty if all is plain."""
        return self._advice

    async def open(self) -> None:
        """Take the port as soon as it is there, again and again until closed.

        Raises:
            LinkError: MIDI cannot be used here.
        """
        possible, why_not = midi_available()
        if not possible:
            found, _, remedy = why_not.partition("; ")
            raise LinkError(self.name, found, remedy)
        self._become("opening")
        self._hub.join(self)
        apis = [h.api for h in self._hub.helpers if h.api not in _NO_VIRTUAL]
        if self.address.virtual and not apis:
            await self.close()
            raise LinkError(
                self.name, "this system cannot make MIDI ports", "use a port that is there"
            )
        self._ends = tuple(
            _End(self, output, api)
            for api in (apis if self.address.virtual else [""])
            for output in (False, True)
        )
        self.settle()

    async def close(self) -> None:
        """Let go of the port."""
        self._cancel_retry()
        for end in self._ends:
            end.leave()
        self.unplugged()
        self._ends = ()
        await self._hub.leave(self)
        self._become("closed")

    def send(self, data: bytes) -> bool:
        """Hand over one complete MIDI message; False: no port, or its driver takes none now."""
        if not _is_message(data):
            self.refused += 1
            self._trouble("no message", f"{data[:8].hex(' ')} is not one complete MIDI message")
            return False
        taken = False
        for end in self._ends:
            if end.output and end.is_open:
                taken = end.send(data) or taken
        if not taken:
            return self._drop("not taken", "there is no port that takes a message now")
        self.sent += 1
        return True

    def settle(self) -> None:
        """Look at the ports again."""
        ports = self._hub.ports
        for end in self._ends:
            end.settle(self._hub.helpers, ports)
        self._advise(ports)
        self.end_changed()

    def heard(self, messages: list[bytes], source: str) -> None:
        """Deliver what came through a port."""
        if self._sensing.active or ACTIVE_SENSING in messages:
            messages = self._sense(messages)
            if not messages:
                return
        self._deliver([(message, source) for message in messages])

    def _sense(self, messages: list[bytes]) -> list[bytes]:
        """Take signs of life out; whoever gives them is missed when they stop.

        Only a link that is there to hear somebody is lost by it: a console has its own ways to
        show that it lives.
        """
        loop, was_gone = asyncio.get_running_loop(), self._sensing.gone
        messages = self._sensing.heard(messages, loop.time())
        if self._needs == "in" and self._silence is None:
            self._silence = loop.call_at(self._sensing.due_s, self._look_for_silence)
        if was_gone:
            self.end_changed()
        return messages

    def _look_for_silence(self) -> None:
        loop, self._silence = asyncio.get_running_loop(), None
        if self._sensing.silent(loop.time()):
            self._trouble("active sensing", "it no longer says that it is there, so it is missed")
            self.end_changed()
        else:
            self._silence = loop.call_at(self._sensing.due_s, self._look_for_silence)

    def unplugged(self) -> None:
        """Forget what the device said of itself: the next one may be another."""
        self._sensing.clear()
        if self._silence is not None:
            self._silence.cancel()
            self._silence = None

    def end_changed(self) -> None:
        """Take over the state of the ends."""
        if self.state == "closed" or not self._ends:
            return
        ways = {end.output for end in self._ends if end.is_open}
        enough = {"any": bool(ways), "in": False in ways, "out": True in ways}
        under_way = any(end.port is not None and not end.is_open for end in self._ends)
        if enough.get(self._needs, len(ways) == 2) and not self._sensing.gone:
            if not under_way:  # who hears "open" sends at once, and the other end is nearly there
                self._become("open")
        elif self.state == "open":
            self._become("lost")

    def end_failed(self, why: str) -> None:
        """Try again after a while."""
        self._trouble(why, f"the port cannot be opened: {why}")
        self._cancel_retry()
        self._retry = asyncio.get_running_loop().call_later(RETRY_S, self.settle)
        self.end_changed()

    def _cancel_retry(self) -> None:
        """Forget a planned try."""
        if self._retry is not None:
            self._retry.cancel()
            self._retry = None

    def _advise(self, ports: Sequence[MidiPort]) -> None:
        """Say once when nothing matches, or more than one port."""
        advice = "" if self.address.virtual else _advice(self.address, ports)
        if advice and advice != self._advice:
            log.info("%s: %s", self.name, advice)
        self._advice = advice


def _advice(address: MidiAddress, ports: Sequence[MidiPort]) -> str:
    """What a person should know about how a pattern fits the ports."""
    found = {
        output: [p.plain_name for p in matching(ports, address.pattern, output)]
        for output in (False, True)
    }
    most = max(found.values(), key=len)
    if len(most) < address.number:
        there = ", ".join(sorted({p.plain_name for p in ports})) or "none"
        return f"no port {address.number} matches '{address.pattern}'; there are: {there}"
    if len(most) > 1:
        return (
            f"{len(most)} ports match '{address.pattern}': {', '.join(most)};"
            f" number {address.number} is taken"
        )
    return ""


def _is_message(data: bytes) -> bool:
    """True for a status byte with at most two data bytes, or a complete system exclusive."""
    if not data or data[0] < 0x80 or len(data) > frames.MESSAGE_BYTES_MAX:
        return False
    if data[0] == 0xF0:
        return data[-1] == 0xF7 and len(data) > 1
    return len(data) <= 3 and all(byte < 0x80 for byte in data[1:])


async def find_ports(wait_s: float = 3.0) -> list[MidiPort]:
    """The MIDI ports that are there now; a driver that hangs is left out after ``wait_s``."""
    hub = MidiHub()
    link = MidiLink("ports", lambda batch: None, address=MidiAddress(""), hub=hub)
    await link.open()
    waits = [asyncio.create_task(helper.looked.wait()) for helper in hub.helpers]
    await asyncio.wait(waits, timeout=wait_s)
    for wait in waits:
        wait.cancel()
    found = list(hub.ports)
    await link.close()
    return found


def ports() -> list[MidiPort]:
    """The MIDI ports that are there now; for use outside an event loop.

    Raises:
        LinkError: MIDI cannot be used here.
    """
    return asyncio.run(find_ports())
