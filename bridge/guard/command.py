"""`foldbridge status`: ask a running bridge how it is. I/O."""

from __future__ import annotations

import http.client
import json
import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from bridge.errors import Fault, LinkError, RigError
from bridge.guard.health import DOWN, GRADES, OK
from bridge.rig.load import load_rig

ANSWER_S = 3.0
"""A bridge that does not answer for so long is down."""

ANSWER_BYTES_MAX = 1_000_000
"""Longest answer: that of the largest rig is a tenth of it."""

_URL = re.compile(r"(?:http://)?(?P<host>[A-Za-z0-9.-]+|\[[0-9a-fA-F:]+\]):(?P<port>\d{1,5})"
                  r"(?:/health)?/?")  # fmt: skip


def place_of(where: str) -> tuple[str, int]:
    """Where to ask: an address, or what a rig file says.

    Raises:
        RigError: the rig cannot be read, or does not say.
    """
    found = _URL.fullmatch(where)
    if found and not Path(where).exists():
        return found["host"].strip("[]"), int(found["port"])
    rig = load_rig(Path(where))
    place = rig.file.health.place
    if place is None:
        fault = Fault(rig.at(("health", "listen")), "nothing", 'listen = "127.0.0.1:9780" in '
                      "[health], and the bridge started again")  # fmt: skip
        raise RigError([fault])
    return place


def asked(place: tuple[str, int]) -> dict[str, Any]:
    """What the bridge at an address says of its health.

    Raises:
        LinkError: nothing that is a bridge answers there.
    """
    shown = f"http://{place[0]}:{place[1]}/health"
    connection = http.client.HTTPConnection(place[0], place[1], timeout=ANSWER_S)
    try:
        connection.request("GET", "/health")
        data = connection.getresponse().read(ANSWER_BYTES_MAX)
        document = json.loads(data)
    except (OSError, OverflowError) as problem:
        found = getattr(problem, "strerror", None) or str(problem) or "no answer"
        raise LinkError("status", f"nothing answers at {shown} ({found})",
                        "start it with: foldbridge run RIG") from None  # fmt: skip
    except (http.client.HTTPException, ValueError, RecursionError):
        document = None
    finally:
        connection.close()
    if not isinstance(document, dict) or document.get("status") not in GRADES:
        raise LinkError("status", f"what answers at {shown} is no bridge",
                        "name the address of [health] in its rig")  # fmt: skip
    return document


def status(where: str, *, as_json: bool = False, show: Callable[[str], None] = print) -> int:
    """Ask and tell.

    Args:
        where: A rig file, or ``http://127.0.0.1:9780``.
        as_json: Tell all of it, for machines.
        show: Where to.

    Returns:
        0 ok, 1 degraded, 2 down or not reached.

    Raises:
        RigError: the rig cannot be read, or does not say where to ask.
    """
    place = place_of(where)
    try:
        document = asked(place)
    except LinkError as error:
        if as_json:
            show(json.dumps({"status": GRADES[DOWN], "reasons": [str(error)]}))
        else:
            print(error, file=sys.stderr)
        return DOWN
    show(json.dumps(document, indent=2) if as_json else in_words(document))
    return GRADES.index(document["status"])


def in_words(document: dict[str, Any]) -> str:
    """A health document for people."""
    console, buses = document.get("console"), document.get("buses")
    lines = [f"{_plain(document.get('rig'))}: {document['status']}"]
    lines += [f"  {_plain(reason)}" for reason in _list(document.get("reasons"))]
    if isinstance(console, dict):
        lines.append(f"  console {_plain(console.get('state'))}, "
                     f"{_plain(console.get('told'))} messages told")  # fmt: skip
    if isinstance(buses, dict):
        up = [_plain(label) for label, is_open in buses.items() if is_open is True]
        lines.append(f"  {len(up)} of {len(buses)} buses open{': ' if up else ''}{', '.join(up)}")
    lines.append(f"  version {_plain(document.get('version'))}, "
                 f"running for {_plain(document.get('up_s'))} s")  # fmt: skip
    if document.get("returned"):
        lines.append(f"  {_plain(document['returned'])}")
    return "\n".join(lines)


def _list(value: object) -> list[object]:
    return value if isinstance(value, list) else []


def _plain(value: object) -> str:
    """Text from elsewhere on one line, with nothing that a terminal obeys."""
    return "".join(letter if letter.isprintable() else "?" for letter in str(value))[:300]


assert OK == 0 and len(GRADES) == DOWN + 1, "exit codes are grades"
