"""Links for a rig: the socket or port of each controller, shared where it can be. I/O."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from bridge.errors import LinkError
from bridge.links.address import MidiAddress, SocketAddress, parse_address, plain_host
from bridge.links.base import Batch, Link, Source
from bridge.links.midi import MidiHub, MidiLink
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


class Roads:
    """All links of a rig.

    Args:
        rig: What was declared.
        console_heard: Takes the console's batches.
        controller_heard: Takes a controller's number and its batches.
        changed: Hears a link's name and its new state.

    Raises:
        LinkError: an address that cannot be.
    """

    def __init__(
        self,
        rig: Rig,
        console_heard: Callable[[Batch], None],
        controller_heard: HeardController,
        changed: Callable[[str, str], None],
    ) -> None:
        self._rig, self._heard, self._changed = rig, controller_heard, changed
        self._hub = MidiHub()
        self._doors: dict[str, Door] = {}
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
        peer = parse_address(console.send or "", at(("console", "send")))
        assert isinstance(peer, SocketAddress), "checked by the rig"
        if peer.transport == "tcp":
            return TcpClient("console", heard, changed, peer=peer)
        listen = None
        if console.listen is not None:
            listen = parse_address(console.listen, at(("console", "listen")), listen=True)
        assert listen is None or isinstance(listen, SocketAddress)
        return UdpLink("console", heard, changed, peer=peer, listen=listen)

    def _listener(self, name: str) -> Callable[[str], None]:
        return lambda state: self._changed(name, state)

    def _road(self, number: int) -> Callable[[bytes], bool]:
        """Open the way to one controller; answers how to reach it."""
        controller = self._rig.file.controller[number]
        if controller.midi is not None:
            return self._midi_road(number, controller)
        where = self._rig.at(("controller", number, "listen"))
        listen = parse_address(controller.listen or "", where, listen=True)
        assert isinstance(listen, SocketAddress), "checked by the rig"
        door = self._doors.get(controller.listen or "")
        if door is None:
            door = self._doors[controller.listen or ""] = self._new_door(listen)
        guest = _source(controller.source or "")
        if guest in door.guests:
            raise LinkError(controller.id, f"{controller.source} at {controller.listen} is taken",
                            "give each controller an address or a port of its own")  # fmt: skip
        door.guests[guest] = number
        return self._reply(number, controller, door)

    def _reply(self, number: int, controller: Controller, door: Door) -> Callable[[bytes], bool]:
        if controller.reply is not None:
            where = self._rig.at(("controller", number, "reply"))
            address = parse_address(controller.reply, where)
            assert isinstance(address, SocketAddress)
            target: Source = (address.host, address.port)
            return lambda data: door.link.send_to(data, target)
        seen = door.last_seen
        return lambda data: number in seen and door.link.send_to(data, seen[number])

    def _new_door(self, listen: SocketAddress) -> Door:
        door: Door
        name = f"{listen.transport}:{listen.port}"
        peers: list[str | tuple[str, int]] = [
            guest[0] for guest in map(_source, self._sources(listen))
        ]

        def heard(batch: Batch) -> None:
            self._sort(door, batch)

        if listen.transport == "tcp":
            changed = self._listener(name)
            door = Door(TcpServer(name, heard, changed, listen=listen, peers=peers))
        else:
            door = Door(UdpLink(name, heard, self._listener(name), listen=listen, peers=peers))
        return door

    def _sources(self, listen: SocketAddress) -> list[str]:
        controllers = self._rig.file.controller
        same = [c for c in controllers if c.listen and c.source and _port(c.listen) == listen.port]
        return [c.source or "" for c in same]

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
                host = plain_host(source[0])
                number = guests.get((host, int(source[1])), guests.get((host, None)))
            if number is None:
                door.link.refused += 1
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


def _port(listen: str) -> int:
    digits = listen.partition("?")[0].rpartition(":")[2]
    return int(digits) if digits.isdigit() else -1


def _source(text: str) -> tuple[str, int | None]:
    """``192.0.2.20`` or ``192.0.2.20:9000`` or ``[::1]:9000`` as host and port."""
    host, colon, port = text.rpartition(":")
    if colon and port.isdigit() and (":" not in host or host.startswith("[")):
        return plain_host(host.strip("[]")), int(port)
    return plain_host(text.strip("[]")), None
