"""Health and figures over HTTP, on this machine only: two pages, nothing else. I/O."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import json
import logging
from collections.abc import AsyncIterator, Callable

from aiohttp import web

from bridge.errors import LinkError
from bridge.guard import health, metrics
from bridge.guard.facts import Facts

CONNECTIONS_MAX = 8
"""Connections at once: who asks are a person, a probe and a collector."""

QUIET_S = 10.0
"""A connection that has not put a whole question for so long is closed, s: nobody keeps a place by
saying nothing, or one letter at a time."""

_QUIET = logging.getLogger("foldbridge.health")
"""Hears of every request that is none: whoever knocks wrongly must not fill the log."""
_QUIET.setLevel(logging.CRITICAL)

_SAME = {"Cache-Control": "no-store", "X-Content-Type-Options": "nosniff"}

Look = Callable[[], Facts]


class _HangUp(asyncio.Protocol):
    """For connections beyond the bound."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport), "TCP"
        transport.abort()


def is_here(header: str) -> bool:
    """Whether a Host header means this machine by a number of its own, or ``localhost``.

    A browser that a foreign page lured here calls us by that page's name (DNS rebinding).
    """
    host = header
    if header.startswith("["):
        host, _, rest = header[1:].partition("]")
        port = rest[1:] if rest.startswith(":") else rest and "?"
    elif ":" in header:
        host, _, port = header.partition(":")
    else:
        port = ""
    if port and not (port.isascii() and port.isdigit() and len(port) <= 5):
        return False
    if host.lower() == "localhost":
        return True
    with contextlib.suppress(ValueError):
        return ipaddress.ip_address(host).is_loopback
    return False


def _health(facts: Facts) -> web.Response:
    down = health.judged(facts)[0] == health.DOWN
    body = json.dumps(health.document(facts), indent=2, allow_nan=False) + "\n"
    return web.Response(text=body, status=503 if down else 200, content_type="application/json")


def _metrics(facts: Facts) -> web.Response:
    headers = {"Content-Type": metrics.CONTENT_TYPE}
    return web.Response(body=metrics.text(facts).encode(), headers=headers)


PAGES: dict[str, Callable[[Facts], web.Response]] = {"/health": _health, "/metrics": _metrics}


def answer(method: str, host: str, path: str, look: Look) -> web.Response:
    """The answer to one question."""
    if not is_here(host):
        return _plain(421, "ask for 127.0.0.1 or localhost")
    page = PAGES.get(path)
    if page is None:
        return _plain(404, f"there are {' and '.join(PAGES)}")
    if method != "GET":
        response = _plain(405, "only GET")
        response.headers["Allow"] = "GET"
        return response
    return page(look())


def _plain(status: int, text: str) -> web.Response:
    return web.Response(status=status, text=f"{text}\n")


@contextlib.asynccontextmanager
async def serve(place: tuple[str, int], look: Look) -> AsyncIterator[int]:
    """Answer whoever asks, while the context lasts.

    Args:
        place: Host and port; port 0 takes a free one.
        look: What there is to tell now.

    Yields:
        The port.

    Raises:
        LinkError: the address cannot be used.
    """

    async def handle(request: web.BaseRequest) -> web.StreamResponse:
        response = answer(request.method, request.headers.get("Host", ""), request.path, look)
        response.headers.update(_SAME)
        return response

    loop = asyncio.get_running_loop()
    http = web.Server(handle, access_log=None, logger=_QUIET, keepalive_timeout=QUIET_S,
                      lingering_time=1.0)  # fmt: skip

    def connected() -> asyncio.Protocol:
        return http() if len(http.connections) < CONNECTIONS_MAX else _HangUp()

    try:
        server = await loop.create_server(connected, place[0], place[1], backlog=CONNECTIONS_MAX)
    except OSError as error:
        found = f"{place[0]}:{place[1]}: {error.strerror or error}"
        raise LinkError("health.listen", found,
                        "stop what uses this port, or name another") from None  # fmt: skip
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        await http.shutdown(0.5)
