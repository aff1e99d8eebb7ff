"""OSCQuery in the daemon's own loop: answers over HTTP, and listeners. It changes nothing. I/O.

Whoever reaches the port may read, so it is on the loopback address unless the rig opens it. The
mix comes first: answers are made one after the other, a large one piece by piece, and each is
followed by a rest, so that however many ask, most of the loop stays free.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
from collections.abc import AsyncIterator, Iterable
from dataclasses import replace
from typing import Protocol

from aiohttp import web

from bridge.errors import LinkError
from bridge.house import House
from bridge.links.address import SocketAddress, parse_address
from bridge.maps.model import MapFile
from bridge.oscquery.announce import Announcer, service_name
from bridge.oscquery.answers import OK, answer, host_info, is_number
from bridge.oscquery.listener import keep_small
from bridge.oscquery.listeners import Listeners
from bridge.oscquery.space import Space
from bridge.rig.rig import Rig

log = logging.getLogger("foldbridge.discovery")

CONNECTIONS_MAX = 64
"""Connections at once: four for each of the most listeners. What comes beyond is hung up on."""

QUIET_S = 20.0
"""A connection that asks for nothing for so long is closed."""

FIRST_S = 10.0
"""A new connection has to ask for something within this time, or twice of it."""

SEND_S = 10.0
"""An answer that has not been taken within this time is given up with its connection."""

REST_S = 0.002
"""After an answer nobody else's is made for so long: the loop has other things to do."""

SHARE = 4.0
"""After a piece of a large answer the rest is this many times as long as the piece took."""

PIECES_AT_ONCE = 200
"""Pieces of an answer made in one go, some half a millisecond."""

SLICE_BYTES = 65_536
"""Bytes handed to a connection at once."""

UNDER_WAY_BYTES_MAX = 32_000_000
"""Most bytes of answers that wait to be taken, all together: who asks and does not read must not
use up the memory of a small machine."""

HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Cache-Control": "no-store",
    "Cross-Origin-Resource-Policy": "same-origin",
}


class Bridge(Protocol):
    """What discovery needs of a running bridge."""

    house: House


class _HangUp(asyncio.Protocol):
    """For connections beyond the bound."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport), "TCP"
        transport.abort()


class Discovery:
    """Tells others what one controller of a bridge may say.

    Args:
        bridge: The running bridge.
        rig: Its rig, with `[discovery]`.
        map_file: The map of the controller that is described.

    Attributes:
        space: What is told.
        listeners: Who listens.
        port: Where it is asked, once it is.
        announcer: Announces it; None where the rig does not want that.
        under_way: Bytes of answers that wait to be taken.

    Raises:
        LinkError: the controller's map has more addresses than can be told.
    """

    def __init__(self, bridge: Bridge, rig: Rig, map_file: MapFile) -> None:
        declared = rig.file.discovery
        assert declared is not None, "asked for rigs with discovery only"
        self._rig, self._declared = rig, declared
        ids = [one.id for one in rig.file.controller]
        number = ids.index(declared.controller)
        try:
            self.space = Space(bridge.house, rig, number, map_file)
        except ValueError as error:
            raise LinkError("discovery", str(error), "describe a smaller controller") from None
        self._osc = _osc_of(rig, number)
        self.name = service_name(declared.name or f"{rig.file.rig.name}: {declared.controller}")
        self.listeners = Listeners(self.space)
        self.announcer: Announcer | None = None
        self.port = 0
        self._turn = asyncio.Lock()
        self.under_way = 0
        self._spoke: set[web.RequestHandler] = set()

    @contextlib.asynccontextmanager
    async def serve(self) -> AsyncIterator[None]:
        """Answer while the context lasts.

        Raises:
            LinkError: the address cannot be used.
        """
        app = web.Application(client_max_size=1024)
        app.router.add_route("*", "/{path:.*}", self._asked)
        runner = web.AppRunner(
            app, access_log=None, keepalive_timeout=QUIET_S, shutdown_timeout=1.0,
            handle_signals=False, lingering_time=2.0,
        )  # fmt: skip
        await runner.setup()
        try:
            server = await self._listen(runner)
            self.port = server.sockets[0].getsockname()[1]
            self._tell_where()
            async with asyncio.TaskGroup() as group:
                tasks = [group.create_task(self.listeners.run(), name="discovery"),
                         group.create_task(self._sweep(runner), name="sweeper")]  # fmt: skip
                if self._declared.announce:
                    self.announcer = Announcer(self._declared, self._osc, self.name, self.port)
                    tasks.append(group.create_task(self.announcer.run(), name="announcer"))
                try:
                    yield
                finally:
                    server.close()
                    for task in tasks:
                        task.cancel()
        finally:
            await self.listeners.close()
            await runner.cleanup()

    def _tell_where(self) -> None:
        host = self._declared.place[0]
        where = f"[{host}]" if ":" in host else host
        log.info("discovery: %s at http://%s:%d", self.name, where, self.port)
        if not self._declared.loopback:
            log.warning("discovery: whoever reaches this port may read the mix of %s",
                        self._declared.controller)  # fmt: skip

    async def _listen(self, runner: web.AppRunner) -> asyncio.Server:
        host, port = self._declared.place
        serve, loop = runner.server, asyncio.get_running_loop()
        assert serve is not None, "set up"

        def connected() -> asyncio.Protocol:
            return serve() if len(serve.connections) < CONNECTIONS_MAX else _HangUp()

        try:
            return await loop.create_server(connected, host, port, backlog=64)
        except OSError as error:
            raise LinkError("discovery", f"{self._declared.listen}: {error.strerror}",
                            "stop what uses this port, or name another") from None  # fmt: skip

    async def _sweep(self, runner: web.AppRunner) -> None:
        """Close connections that say nothing whole after they were opened, until cancelled."""
        silent: set[web.RequestHandler] = set()
        while True:
            await asyncio.sleep(FIRST_S)
            assert runner.server is not None, "set up"
            here = set(runner.server.connections)
            self._spoke &= here
            for one in here - self._spoke:
                if one in silent:
                    one.force_close()
            silent = here - self._spoke

    # -- answers --------------------------------------------------------------------------------

    async def _asked(self, request: web.Request) -> web.StreamResponse:
        """Answer one request."""
        self._spoke.add(request.protocol)
        refusal = self._refusal(request)
        if refusal is not None:
            return refusal
        if request.headers.get("Upgrade", "").lower() == "websocket":
            return await self.listeners.serve(request)
        async with self._turn:
            found = answer(
                self.space.tree, self._host(), request.path, request.query_string, self.space.read
            )
            body = await self._made(found.text)
            await asyncio.sleep(REST_S)
        if self.under_way + len(body) > UNDER_WAY_BYTES_MAX:
            return _plain(503, "Too many answers wait to be taken. Ask again in some seconds.")
        return await self._send(request, found.status, body)

    def _refusal(self, request: web.Request) -> web.Response | None:
        """An answer to what is not answered: foreign pages, foreign names, other methods."""
        if not is_ours(request.headers.get("Host", ""), self._names()):
            return _plain(421, "Ask by an address in numbers, or by this machine's name.")
        if "Origin" in request.headers:
            return _plain(403, "Web pages may not ask.")
        if request.method not in ("GET", "HEAD"):
            return _plain(405, "Nothing can be changed here: send OSC to the controller's port.")
        return None

    def _names(self) -> frozenset[str]:
        """What this machine may be called besides its numbers."""
        here = socket.gethostname().lower()
        names = {"localhost", here, f"{here.partition('.')[0]}.local"}
        if self.announcer is not None:
            names.add(self.announcer.host)
        return frozenset(names)

    def _host(self) -> dict[str, object]:
        name = self.name if self.announcer is None else self.announcer.name
        return host_info(name, self._osc)

    async def _made(self, text: Iterable[str]) -> bytes:
        """Write an answer, and let others have the loop in between."""
        loop, parts = asyncio.get_running_loop(), list[str]()
        began_s = loop.time()
        for number, piece in enumerate(text, start=1):
            parts.append(piece)
            if number % PIECES_AT_ONCE == 0:
                await asyncio.sleep(SHARE * (loop.time() - began_s))
                began_s = loop.time()
        return "".join(parts).encode()

    async def _send(self, request: web.Request, status: int, body: bytes) -> web.StreamResponse:
        """Hand an answer out slice by slice, to whoever takes it in time."""
        kind = "application/json" if status == OK else "text/plain"
        response = web.StreamResponse(status=status, headers=HEADERS)
        response.content_type = kind
        response.content_length = len(body)
        if len(body) > SLICE_BYTES and isinstance(request.transport, asyncio.WriteTransport):
            keep_small(request.transport)  # what the system keeps is memory too
        self.under_way += len(body)
        try:
            async with asyncio.timeout(SEND_S):
                await response.prepare(request)
                for start in range(0, len(body) if request.method == "GET" else 0, SLICE_BYTES):
                    await response.write(body[start : start + SLICE_BYTES])
                await response.write_eof()
        except TimeoutError:
            if request.transport is not None:
                request.transport.abort()
        finally:
            self.under_way -= len(body)
        return response


def _plain(status: int, words: str) -> web.Response:
    return web.Response(status=status, text=words, headers=HEADERS)


def _osc_of(rig: Rig, number: int) -> SocketAddress:
    """Where a controller's OSC is taken."""
    declared = rig.file.controller[number]
    where = rig.at(("controller", number, "listen"))
    place = parse_address(declared.listen or "", where, listen=True)
    assert isinstance(place, SocketAddress), "a controller with OSC, checked while loading"
    return replace(place, host="127.0.0.1") if place.host == "localhost" else place


def is_ours(header: str, names: frozenset[str]) -> bool:
    """Whether a Host header means this machine: a number, or one of its own names.

    A page that a browser was lured to can point a name of its own here (DNS rebinding).
    """
    host = header.rpartition(":")[0] if header.rpartition(":")[2].isdigit() else header
    if host.startswith("[") and host.endswith("]"):
        host = host[1:-1]
    return is_number(host) or host.lower().rstrip(".") in names
