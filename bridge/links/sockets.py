"""What UDP and TCP links share: name look-up, binding, who may speak. I/O."""

from __future__ import annotations

import asyncio
import errno
import socket
from collections.abc import Iterable
from dataclasses import dataclass

from bridge.errors import LinkError
from bridge.links.address import plain_host
from bridge.links.base import Source

KNOWN_MAX = 256
"""Addresses remembered as allowed; when full the memory starts over, it only saves time."""

_REMEDIES = {
    errno.EADDRINUSE: (
        "port {port} is taken by another program",
        "stop that program, or choose another port",
    ),
    errno.EADDRNOTAVAIL: (
        "this machine has no address {host}",
        "check the network cable, or listen on every address with an empty host",
    ),
    errno.EACCES: (
        "port {port} is reserved for the system",
        "choose a port above 1023",
    ),
}


@dataclass(frozen=True, slots=True)
class Place:
    """A resolved network address.

    Attributes:
        family: ``socket.AF_INET`` or ``socket.AF_INET6``.
        address: As the socket module wants it.
    """

    family: int
    address: tuple[str, int] | tuple[str, int, int, int]


async def resolve(link: str, host: str, port: int, kind: socket.SocketKind) -> Place:
    """Look a host up, once, while the link opens.

    Raises:
        LinkError: Nobody knows the name.
    """
    loop = asyncio.get_running_loop()
    try:
        found = await loop.getaddrinfo(host, port, type=kind)
    except (OSError, UnicodeError) as fault:
        raise LinkError(
            link, f"the host '{host}' is unknown ({fault})", "write its numeric address instead"
        ) from fault
    family, _, _, _, address = found[0]
    return Place(family, address)  # type: ignore[arg-type]


def bound_socket(
    link: str, place: Place | None, kind: socket.SocketKind, port: int
) -> socket.socket:
    """A non-blocking socket bound to a place of this machine.

    Args:
        link: The link's name, for the error.
        place: Where to listen; None: every address, IPv4 and IPv6 where the machine has both.
        kind: Datagram or stream.
        port: 0..65535, used when ``place`` is None.

    Raises:
        LinkError: The port is busy, or the address is not this machine's.
    """
    place = place or _everywhere(port)
    try:
        sock = socket.socket(place.family, kind)
    except OSError as fault:
        raise _bind_error(link, place, fault) from fault
    try:
        _prepare(sock, place, kind)
        sock.bind(place.address)
    except OSError as fault:
        sock.close()
        raise _bind_error(link, place, fault) from fault
    return sock


def _everywhere(port: int) -> Place:
    """Every address of this machine."""
    if socket.has_dualstack_ipv6():
        return Place(socket.AF_INET6, ("::", port))
    return Place(socket.AF_INET, ("0.0.0.0", port))


def _prepare(sock: socket.socket, place: Place, kind: socket.SocketKind) -> None:
    """Set what must be set before binding."""
    sock.setblocking(False)
    if place.family == socket.AF_INET6 and place.address[0] == "::":
        sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 0)
    if hasattr(socket, "SO_EXCLUSIVEADDRUSE"):  # Windows lets others steal a port without it
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
    elif kind == socket.SOCK_STREAM:  # a restarted bridge need not wait for old connections
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)


def _bind_error(link: str, place: Place, fault: OSError) -> LinkError:
    """What a person can do about a socket that cannot be bound."""
    host, port = place.address[:2]
    found, remedy = _REMEDIES.get(
        fault.errno or 0, ("cannot listen on {host} port {port}: {fault}", "check the address")
    )
    return LinkError(link, found.format(host=host, port=port, fault=fault.strerror), remedy)


class Guests:
    """Who may speak to a link."""

    def __init__(self, peers: Iterable[str | tuple[str, int]] | None) -> None:
        """Take hosts, or hosts with one port each, in numeric form; None lets everyone in."""
        self._all = peers is None
        self._allowed: set[str | tuple[str, int]] = set()
        for peer in peers or ():
            allowed = plain_host(peer) if isinstance(peer, str) else (plain_host(peer[0]), peer[1])
            self._allowed.add(allowed)
        self._known: set[Source] = set()

    def welcome(self, source: Source) -> bool:
        """True if whoever is at this address may speak."""
        if self._all or source in self._known:
            return True
        host = plain_host(source[0])
        if host not in self._allowed and (host, source[1]) not in self._allowed:
            return False
        if len(self._known) >= KNOWN_MAX:
            self._known.clear()
        self._known.add(source)
        return True


async def resolved_peers(
    link: str, peers: Iterable[str | tuple[str, int]], kind: socket.SocketKind
) -> frozenset[str | tuple[str, int]]:
    """The same peers with numeric hosts, each looked up once.

    Raises:
        LinkError: Nobody knows one of the names.
    """
    numeric: set[str | tuple[str, int]] = set()
    for peer in peers:
        host, port = (peer, None) if isinstance(peer, str) else peer
        place = await resolve(link, host, port or 0, kind)
        found = plain_host(place.address[0])
        numeric.add(found if port is None else (found, port))
    return frozenset(numeric)


def cause_of(fault: Exception) -> str:
    """A short name for an error that stays the same for the same cause."""
    number = getattr(fault, "errno", None)
    return errno.errorcode.get(number or 0, type(fault).__name__)
