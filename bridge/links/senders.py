"""Where a controller's messages come from and where its answers go, as numeric addresses. I/O.

A datagram carries a numeric address, so a host's name is looked up once, when the links are made.
"""

from __future__ import annotations

import ipaddress
import re
import socket
from typing import NamedTuple

from bridge.errors import LinkError
from bridge.links.address import SocketAddress, parse_address, plain_host

_PARTS = re.compile(r"(?:\[([^\[\]]+)\]|([^:\[\]]+))(?::([0-9]{1,9}))?|([0-9A-Fa-f:.]+(?:%\w+)?)")
_NAME = re.compile(r"(?!-)[\w-]{1,63}(?<!-)(?:\.(?!-)[\w-]{1,63}(?<!-))*\.?")
_FORMS = "192.0.2.20, 192.0.2.20:9000, [::1]:9000 or a host's name"


class Sender(NamedTuple):
    """Who may speak: a host, numeric in one spelling or a name, and the port if it matters."""

    host: str
    port: int | None


def parse_sender(text: str, where: str) -> Sender:
    """Read the address that a controller sends from.

    Args:
        text: A numeric address or a host's name, with or without ``:port``.
        where: File, line and key, for the error's text.

    Raises:
        LinkError: it is no such address.
    """
    match = _PARTS.fullmatch(text)
    if match is None:
        raise _error(where, repr(text), _FORMS)
    host, port = match[1] or match[2] or match[4], match[3]
    if port is not None and not 1 <= int(port) <= 65535:
        raise _error(where, f"port {port}", "a port from 1 to 65535")
    named = _NAME.fullmatch(host) and len(host) <= 253 and not host.rstrip(".")[-1:].isdigit()
    if match[2] is None or not named:
        _numeric(host, text, where)
    return Sender(plain_host(host), None if port is None else int(port))


def _numeric(host: str, text: str, where: str) -> None:
    try:
        ipaddress.ip_address(host.split("%", 1)[0])
    except ValueError:
        raise _error(where, repr(text), _FORMS) from None


def addresses_of(host: str, where: str) -> tuple[str, ...]:
    """Every numeric address of a host, each in one spelling: IPv4 inside IPv6 as IPv4.

    Args:
        host: A numeric address, which comes back alone, or a name.
        where: File, line and key, for the error's text.

    Raises:
        LinkError: nobody knows the name.
    """
    try:
        found = socket.getaddrinfo(host, None, type=socket.SOCK_DGRAM)
    except (OSError, UnicodeError) as fault:
        told = getattr(fault, "strerror", None) or str(fault)
        raise LinkError(where, f"found '{host}', a host that nobody knows ({told})",
                        "expected a name that this machine can look up, or a numeric address, as "
                        "in 192.0.2.20") from None  # fmt: skip
    return tuple(dict.fromkeys(plain_host(str(each[4][0])) for each in found))


def parse_reply(text: str, where: str, listen: SocketAddress) -> SocketAddress:
    """Read the address where a controller hears of changes.

    Args:
        text: ``udp://host:port``.
        where: File, line and key, for the error's text.
        listen: Where the bridge hears that controller: answers leave from there.

    Raises:
        LinkError: it is no such address, or the controller speaks TCP.
    """
    address = parse_address(text, where)
    if listen.transport == "tcp":
        raise _error(where, repr(text), "no such key: a controller on TCP hears of changes on "
                     "its own connection")  # fmt: skip
    if not isinstance(address, SocketAddress) or address.transport != "udp":
        raise _error(where, repr(text), "udp://host:port")
    return address


def reply_to(address: SocketAddress, where: str, listen: SocketAddress) -> tuple[str, int]:
    """A reply's numeric address as the listening socket has to say it.

    A socket that listens on every address speaks IPv6 where the machine can, and says an IPv4
    address as one inside IPv6.

    Args:
        address: Where to.
        where: File, line and key, for the error's text.
        listen: Where the bridge hears that controller.

    Raises:
        LinkError: an unknown name, or IPv6 for a socket that has IPv4 only, or the reverse.
    """
    here = addresses_of(listen.host, where)[0] if listen.host else "::"
    six = ":" in here and (listen.host != "" or socket.has_dualstack_ipv6())
    hosts = addresses_of(address.host, where)
    for host in hosts:
        if (":" in host) == six:
            return host, address.port
        if six and here == "::":
            return f"::ffff:{host}", address.port
    raise _error(
        where, hosts[0], f"an address of the same kind as {here}, where the bridge listens"
    )


def _error(where: str, found: str, expected: str) -> LinkError:
    return LinkError(where, f"found {found}", f"expected {expected}")
