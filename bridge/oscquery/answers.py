"""What an OSCQuery request is answered, and what the host says of itself. Pure."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable, Iterator
from typing import Any, NamedTuple

from bridge.links.address import SocketAddress
from bridge.oscquery.methods import READ, shown
from bridge.oscquery.tree import ATTRIBUTES, CHARACTERS, OPTIONAL, Node, Read, Tree

OK, NOTHING, BAD, MISSING = 200, 204, 400, 404
"""OSCQuery, "Core Functionality", its list of errors. Where one sentence has 204 for an attribute
that is not supported and the list has 400, this is the list's."""

EVERYWHERE = ("", "0.0.0.0", "::")
"""Hosts that mean every address of this machine."""


class Answer(NamedTuple):
    """An answer, to be written piece by piece.

    Attributes:
        status: HTTP status.
        text: Its body: JSON where the status is 200, else a word for people.
    """

    status: int
    text: Iterable[str]


def answer(tree: Tree, host: dict[str, Any], path: str, query: str, read: Read) -> Answer:
    """Answer a request.

    Args:
        tree: The address space.
        host: What ``HOST_INFO`` says.
        path: Path of the URL, decoded.
        query: Query of the URL without the question mark.
        read: The value of a method now.
    """
    wanted = query.partition("=")[0]
    if wanted == "HOST_INFO":
        return Answer(OK, [CHARACTERS.encode(host)])
    node = tree.nodes.get(path)
    if node is None:
        return Answer(MISSING, ["There is no such address."])
    if not wanted:
        return Answer(OK, tree.text(node.branch, read))
    if wanted not in ATTRIBUTES:
        return Answer(
            BAD, [f"There is no such attribute; there is {', '.join(sorted(ATTRIBUTES))}."]
        )
    if wanted == "VALUE":
        return _value(node, read)
    if wanted == "CONTENTS" and node.contents is not None:
        return Answer(OK, _wrapped(tree.text(node.contents, read)))
    return Answer(OK, [CHARACTERS.encode({k: v for k, v in node.static.items() if k == wanted})])


def _value(node: Node, read: Read) -> Answer:
    if node.method is None or not node.method.access & READ:
        return Answer(NOTHING, [])
    now = read(node.method)
    return Answer(OK, [CHARACTERS.encode({} if now is None else {"VALUE": shown(now)})])


def _wrapped(text: Iterable[str]) -> Iterator[str]:
    yield '{"CONTENTS":'
    yield from text
    yield "}"


def host_info(name: str, osc: SocketAddress) -> dict[str, Any]:
    """What ``HOST_INFO`` says; the WebSocket is where HTTP is, so it has no entry.

    Args:
        name: The name under which it is found.
        osc: Where the controller's OSC is taken; without a host it is where HTTP is.
    """
    info: dict[str, Any] = {"NAME": name, "EXTENSIONS": dict(OPTIONAL)}
    if osc.host not in EVERYWHERE and is_number(osc.host):
        info["OSC_IP"] = osc.host
    return info | {"OSC_PORT": osc.port, "OSC_TRANSPORT": osc.transport.upper()}


def is_number(host: str) -> bool:
    """Whether a host is an IP address, and no name."""
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True
