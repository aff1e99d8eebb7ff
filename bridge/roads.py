"""Links for a rig: the socket or port of each controller, shared where it can be. I/O."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from bridge.doors import clashes
from bridge.errors import LinkError, RigError
from bridge.links.address import MidiAddress, SocketAddress, parse_address, plain_host
from bridge.links.base import Batch, Link, Source
from bridge.links.midi import MidiHub, MidiLink
from bridge.links.senders import addresses_of, parse_reply, parse_sender, reply_to
from bridge.links.tcp import TcpClient, TcpServer
from bridge.links.udp import UdpLink
from bridge.rig.model import Controller
from bridge.rig.rig import Rig

HeardController = Callable[[int, Batch], None]


@dataclass(slots=True)
class Door:
    """One listening link, and the controllers behind it by the address they send from."""

    link: Link
    guests: dict[tuple[str, int | None], int] = field(default_factory=dict)
    last_seen: dict[int, Source] = field(default_factory=dict)

    def refuse(self, host: str, port: int) -> None:
        """Count a message from an address that is nobody's; the log says once what to write."""
        known = ", ".join(
            name if number is None else f"{name}:{number}" for name, number in self.guests
        )
        text = (
            f"{host} port {port} is refused: the sources declared for this port are {known};"
            f' if it may speak, write source = "{host}" in its [[controller]]'
        )
        self.link.refuse(f"stranger {host}", text)


class Roads:
    """All links of a rig.

    Args:
        rig: What was declared.
        console_heard: Takes the console's batches.
        controller_heard: Takes a controller's number and its batches.
        changed: Hears a link's name and its new state.

    Raises:
        LinkError: an address that cannot be.
        RigError: two parts of the bridge that want one port.
    """

    def __init__(
        self,
        rig: Rig,
        console_heard: Callable[[Batch], None],
        controller_heard: HeardController,
        changed: Callable[[str, str], None],
    ) -> None:
        if taken := clashes(rig):
            raise RigError(taken)
        self._rig, self._heard, self._changed = rig, controller_heard, changed
        self._hub = MidiHub()
        self._doors: dict[str, Door] = {}
        self._hosts: dict[str, tuple[str, ...]] = {}
        self.console = self._console_link(console_heard)
        self.replies = [self._road(number) for number in range(len(rig.file.controller))]

    @property
    def links(self) -> list[Link]:
        """Every link, the controllers' first: the console's opens last."""
        return [*(door.link for door in self._doors.values()), self.console]

    def _console_link(self, heard: Callable[[Batch], None]) -> Link:
        console, at = self._rig.file.console, self._rig.at
        changed = self._listener("console")
        if console.midi is not None:
            where = at(("console", "midi"))
            return MidiLink("console", heard, changed, address=_midi(console.midi, where),
                            hub=self._hub, needs="out")  # fmt: skip
        peer = _socket(console.send or "", at(("console", "send")))
        if peer.transport == "tcp":
            return TcpClient("console", heard, changed, peer=peer)
        listen = None
        if console.listen is not None:
            listen = _socket(console.listen, at(("console", "listen")), listen=True)
        return UdpLink("console", heard, changed, peer=peer, listen=listen)

    def _listener(self, name: str) -> Callable[[str], None]:
        return lambda state: self._changed(name, state)

    def _road(self, number: int) -> Callable[[bytes], bool]:
        """Open the way to one controller; answers how to reach it."""
        controller = self._rig.file.controller[number]
        if controller.midi is not None:
            return self._midi_road(number, controller)
        where, text = self._rig.at(("controller", number, "listen")), controller.listen or ""
        listen = _socket(text, where, listen=True)
        door = self._doors.get(text)
        if door is None:
            door = self._doors[text] = self._new_door(text, listen)
        for guest in self._guests(number):
            if guest in door.guests:
                raise LinkError(
                    self._rig.at(("controller", number, "source")),
                    f"found {controller.source!r}, which at {controller.listen} is "
                    f"{self._rig.file.controller[door.guests[guest]].id}",
                    "expected an address or a port of its own for each controller")  # fmt: skip
            door.guests[guest] = number
        return self._reply(number, controller, door, listen)

    def _guests(self, number: int) -> list[tuple[str, int | None]]:
        """The numeric addresses that a controller may send from; a name is looked up once."""
        where = self._rig.at(("controller", number, "source"))
        sender = parse_sender(self._rig.file.controller[number].source or "", where)
        if sender.host not in self._hosts:
            self._hosts[sender.host] = addresses_of(sender.host, where)
        return [(host, sender.port) for host in self._hosts[sender.host]]

    def _reply(
        self, number: int, controller: Controller, door: Door, listen: SocketAddress
    ) -> Callable[[bytes], bool]:
        if controller.reply is not None:
            where = self._rig.at(("controller", number, "reply"))
            target = reply_to(parse_reply(controller.reply, where, listen), where, listen)
            return lambda data: door.link.send_to(data, target)
        seen = door.last_seen
        return lambda data: number in seen and door.link.send_to(data, seen[number])

    def _new_door(self, text: str, listen: SocketAddress) -> Door:
        door: Door
        name = f"{listen.transport}:{listen.port}"
        peers = self._peers(text)

        def heard(batch: Batch) -> None:
            self._sort(door, batch)

        if listen.transport == "tcp":
            changed = self._listener(name)
            door = Door(TcpServer(name, heard, changed, listen=listen, peers=peers))
        else:
            door = Door(UdpLink(name, heard, self._listener(name), listen=listen, peers=peers))
        return door

    def _peers(self, text: str) -> list[str]:
        """Every numeric address that may speak at a port; who names it does so in one text."""
        here = [n for n, c in enumerate(self._rig.file.controller) if c.listen == text]
        return [host for number in here for host, _ in self._guests(number)]

    def _sort(self, door: Door, batch: Batch) -> None:
        """Hand each message to the controller that sends from that address."""
        by_number: dict[int, Batch] = {}
        guests = door.guests
        for item in batch:
            source = item[1]
            number = guests.get((source[0], source[1]))  # type: ignore[arg-type]
            if number is None:
                number = guests.get((source[0], None))
            if number is None:
                host, port = plain_host(source[0]), int(source[1])
                number = guests.get((host, port), guests.get((host, None)))
                if number is None:
                    door.refuse(host, port)
                    continue
            door.last_seen[number] = source
            by_number.setdefault(number, []).append(item)
        for number, items in by_number.items():
            self._heard(number, items)

    def _midi_road(self, number: int, controller: Controller) -> Callable[[bytes], bool]:
        where = self._rig.at(("controller", number, "midi"))
        address = _midi(controller.midi or "", where)
        link = MidiLink(controller.id, lambda batch: self._heard(number, batch),
                        self._listener(controller.id), address=address, hub=self._hub,
                        needs="in")  # fmt: skip
        self._doors[f"midi {controller.id}"] = Door(link)
        return link.send


def _midi(pattern: str, where: str) -> MidiAddress:
    text = pattern if pattern.startswith(("midi:", "midi-virtual:")) else f"midi:{pattern}"
    address = parse_address(text, where)
    assert isinstance(address, MidiAddress), "it starts with midi"
    return address


def _socket(text: str, where: str, *, listen: bool = False) -> SocketAddress:
    address = parse_address(text, where, listen=listen)
    if not isinstance(address, SocketAddress):
        raise LinkError(where, f"found {text!r}", "expected udp://host:port or tcp://host:port")
    return address
