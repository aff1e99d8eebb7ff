"""Addresses as people write them: ``udp://host:port``, ``midi:Name*``. Pure."""

from __future__ import annotations

import ipaddress
import re
from dataclasses import dataclass

from bridge.errors import LinkError

FRAMINGS = ("size", "slip")
"""How packets are told apart on a stream: a size in front (OSC 1.0), or SLIP (RFC 1055, used by
OSC 1.1)."""

_SOCKET = re.compile(r"(udp|tcp)://(\[[^\[\]]*\]|[^:/?\[\]]*):([0-9]{1,9})(?:\?(.*))?")
_MIDI = re.compile(r"(midi|midi-virtual):(.*?)(?:@([0-9]{1,4}))?", re.DOTALL)
_FORMS = "udp://host:port, tcp://host:port?framing=size|slip, midi:Name* or midi-virtual:Name"


@dataclass(frozen=True, slots=True)
class SocketAddress:
    """A place on a network.

    Attributes:
        transport: ``udp`` or ``tcp``.
        host: Name or numeric address; empty: every address of this machine.
        port: 1..65535; links also take 0, any free port.
        framing: ``size`` or ``slip`` for tcp, empty for udp.
    """

    transport: str
    host: str
    port: int
    framing: str = ""


@dataclass(frozen=True, slots=True)
class MidiAddress:
    """A MIDI port by its name.

    Attributes:
        pattern: The port's name with ``*``, ``?`` and ``[...]`` as wildcards, case ignored; the
            exact name of the port to make if ``virtual``.
        number: Which of several ports that match, 1 for the first.
        virtual: Make a port that other programs connect to.
    """

    pattern: str
    number: int = 1
    virtual: bool = False


def plain_host(host: str) -> str:
    """One spelling for each numeric address: IPv4 inside IPv6 as IPv4, no scope, lower case.

    A name that is no numeric address comes back in lower case.
    """
    try:
        address = ipaddress.ip_address(host.split("%", 1)[0])
    except ValueError:
        return host.lower()
    mapped = getattr(address, "ipv4_mapped", None)
    return str(mapped if mapped is not None else address)


def parse_address(text: str, where: str, *, listen: bool = False) -> SocketAddress | MidiAddress:
    """Read an address.

    Args:
        text: ``udp://192.0.2.10:9000``, ``udp://[::1]:9000``, ``tcp://host:port?framing=slip``
            (framing is ``size`` unless said), ``midi:Foot*``, ``midi:Foot*@2`` (the second one
            that matches), ``midi-virtual:Name``.
        where: File, line and key, for the error's text.
        listen: The address is listened on, so its host may be empty (every address).

    Raises:
        LinkError: It is no such address; the text says where, what was found, what was expected.
    """
    if match := _SOCKET.fullmatch(text.strip()):
        return _socket_address(match, where, listen)
    if match := _MIDI.fullmatch(text.strip()):
        return _midi_address(match, where)
    if text.count(":") > 2 and "[" not in text:
        raise _error(where, text, "an IPv6 address in brackets, as in udp://[::1]:9000")
    raise _error(where, text, _FORMS)


def _socket_address(match: re.Match[str], where: str, listen: bool) -> SocketAddress:
    """Check the parts of a socket's address."""
    transport, host, port_text, query = match.groups()
    if not 1 <= (port := int(port_text)) <= 65535:
        raise _error(where, f"port {port}", "a port from 1 to 65535")
    if host.startswith("["):
        host = _ipv6(host[1:-1], where)
    if not host and not listen:
        raise _error(
            where, match[0], f"the other end's host, as in {transport}://192.0.2.10:{port}"
        )
    if transport == "udp":
        if query is not None:
            raise _error(where, f"'?{query}'", "nothing after the port of a udp address")
        return SocketAddress("udp", host, port)
    return SocketAddress("tcp", host, port, _framing(query, where))


def _ipv6(host: str, where: str) -> str:
    """The address between brackets, checked."""
    try:
        ipaddress.IPv6Address(host)
    except ValueError:
        raise _error(where, f"[{host}]", "an IPv6 address between brackets") from None
    return host


def _framing(query: str | None, where: str) -> str:
    """The framing that a tcp address asks for."""
    if query is None:
        return FRAMINGS[0]
    key, _, value = query.partition("=")
    if key != "framing" or value not in FRAMINGS:
        raise _error(where, f"'?{query}'", "?framing=size or ?framing=slip")
    return value


def _midi_address(match: re.Match[str], where: str) -> MidiAddress:
    """Check the parts of a MIDI address."""
    scheme, pattern, number = match.groups()
    pattern = pattern.strip()
    if not pattern:
        raise _error(where, match[0], f"a port's name, as in {scheme}:Foot board")
    if scheme == "midi-virtual":
        if number is not None or set(pattern) & set("*?["):
            raise _error(where, match[0], "a plain name without wildcards and number")
        return MidiAddress(pattern, virtual=True)
    if number is not None and int(number) < 1:
        raise _error(where, f"'@{number}'", "@1 for the first port that matches, @2 for the second")
    return MidiAddress(pattern, int(number or 1))


def _error(where: str, found: str, expected: str) -> LinkError:
    """The error of an address that cannot be."""
    return LinkError(where, f"found {found}", f"expected {expected}")
