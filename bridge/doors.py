"""Everything that a rig listens on: one list for the check, for the run and for people. Pure."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from bridge.errors import Fault, LinkError
from bridge.links.address import SocketAddress, parse_address, plain_host
from bridge.rig.rig import Rig
from bridge.rig.toml import Path

EVERY_HOST = ("", "0.0.0.0", "::")
"""Hosts that stand for every address of this machine."""

BY_NAME = {"localhost": ("127.0.0.1", "::1")}
"""Names whose addresses are known without looking them up (RFC 6761, section 6.3)."""

ANNOUNCED_PORT = 5353
"""Where multicast DNS is spoken (RFC 6762, section 3): on every address, beside other programs."""


class Door(NamedTuple):
    """A port that a rig has open.

    Attributes:
        path: Its key in the rig; of a port that several controllers share, the first one's.
        text: What stands there.
        place: What it means; port 0 is any free one.
        users: Who is heard there: ids of controllers, or a part of the bridge.
    """

    path: Path
    text: str
    place: SocketAddress
    users: tuple[str, ...]

    @property
    def key(self) -> str:
        """Its key, as people write it."""
        return ".".join(map(str, self.path))

    @property
    def loopback(self) -> bool:
        """Whether only this machine reaches it, for certain."""
        return is_loopback(self.place.host)


def is_loopback(host: str) -> bool:
    """Whether a host is this machine and nothing else; a name that nobody looked up is not."""
    try:
        return ipaddress.ip_address(plain_host(host)).is_loopback
    except ValueError:
        return host.lower() in BY_NAME


def doors(rig: Rig) -> tuple[Door, ...]:
    """Every port that a rig listens on; an address that cannot be read is left out.

    Several controllers may share a port if they name it with the same text: that is one door.
    """
    return (*_console(rig), *_controllers(rig), *_served(rig))


def _console(rig: Rig) -> Iterator[Door]:
    """Where the console's answers come in; on TCP and MIDI they come on its own link."""
    console = rig.file.console
    peer = _place(console.send)
    if peer is None or peer.transport != "udp":
        return
    if console.listen is None:
        there = ":" in plain_host(peer.host)
        yield Door(("console", "send"), console.send or "",
                   SocketAddress("udp", "::" if there else "0.0.0.0", 0), ("console",))  # fmt: skip
        return
    place = _place(console.listen)
    if place is not None:
        yield Door(("console", "listen"), console.listen, place, ("console",))


def _controllers(rig: Rig) -> Iterator[Door]:
    """Where controllers are heard."""
    found: dict[str, Door] = {}
    for number, controller in enumerate(rig.file.controller):
        place = _place(controller.listen)
        if place is not None:
            text = controller.listen or ""
            here: Path = ("controller", number, "listen")
            door = found.setdefault(text, Door(here, text, place, ()))
            found[text] = door._replace(users=(*door.users, controller.id))
    yield from found.values()


def _served(rig: Rig) -> Iterator[Door]:
    """Where the bridge itself is asked, and shows itself."""
    file = rig.file
    watch = _place(file.daemon.watch)
    if watch is not None and watch.transport == "tcp":
        yield Door(("daemon", "watch"), file.daemon.watch or "", watch, ("watchers",))
    if file.pages is not None:
        yield _tcp(("pages", "listen"), file.pages.listen, file.pages.place, "pages")
    if file.discovery is not None:
        found = file.discovery
        yield _tcp(("discovery", "listen"), found.listen, found.place, "discovery")
        if found.announce:
            everywhere = SocketAddress("udp", "", ANNOUNCED_PORT)
            yield Door(("discovery", "announce"), f"udp port {ANNOUNCED_PORT}", everywhere,
                       ("announcements",))  # fmt: skip
    health = file.health.place
    if health is not None:
        yield _tcp(("health", "listen"), file.health.listen or "", health, "health")


def _tcp(path: Path, text: str, place: tuple[str, int], user: str) -> Door:
    return Door(path, text, SocketAddress("tcp", *place), (user,))


def _place(text: str | None) -> SocketAddress | None:
    """What a text means; None for no address of a socket, which the check tells elsewhere."""
    try:
        place = parse_address(text or "", "", listen=True)
    except LinkError:
        return None
    return place if isinstance(place, SocketAddress) else None


def clashes(rig: Rig) -> list[Fault]:
    """Every two doors of a rig that want one port."""
    return list(_clashes(rig, doors(rig)))


def _clashes(rig: Rig, every: Sequence[Door]) -> Iterator[Fault]:
    for number, door in enumerate(every):
        for other in every[:number]:
            if not _meet(door.place, other.place):
                continue
            both = {door.path[0], other.path[0]} == {"controller"}
            shared = ", or the very same text for two controllers" if both else ""
            yield Fault(rig.at(door.path), f"{door.text!r}, which {other.text!r} at {other.key} "
                        "takes", f"a port of its own{shared}")  # fmt: skip


def _meet(here: SocketAddress, there: SocketAddress) -> bool:
    """Whether one port is wanted by both."""
    if (here.transport, here.port) != (there.transport, there.port) or here.port == 0:
        return False
    one, two = _hosts(here.host), _hosts(there.host)
    return bool((one | two) & set(EVERY_HOST)) or not one.isdisjoint(two)


def _hosts(host: str) -> set[str]:
    plain = plain_host(host)
    return set(BY_NAME.get(plain, (plain,)))
