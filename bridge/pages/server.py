"""The pages of a running bridge, in the bridge's own loop. I/O."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import ssl
import time
from collections.abc import AsyncIterator, Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from aiohttp import web

from bridge.errors import FileError, LinkError
from bridge.guard.standing import Guard
from bridge.house import House
from bridge.learning.live import Controls
from bridge.links.base import Batch
from bridge.pages import kept
from bridge.pages.access import Codes, Pass, Passes, Tries
from bridge.pages.desk import LinkLike
from bridge.pages.doors import Doors
from bridge.pages.quiet import QUIET
from bridge.pages.show import Show
from bridge.rig.rig import Rig

if TYPE_CHECKING:
    from bridge.presets.serving import Serving

log = logging.getLogger("foldbridge.pages")

CONNECTIONS_MAX = 192
"""Connections at once: three for each of the most pages. What comes beyond is hung up on."""

QUIET_S = 20.0
"""A connection that asks for nothing for so long is closed."""

BODY_BYTES_MAX = 2048
"""Longest body of a request: a passphrase in JSON."""


class Outside(Protocol):
    """The links of a bridge."""

    @property
    def links(self) -> Sequence[LinkLike]:
        """Every link."""


class Bridge(Controls, Protocol):
    """What the pages need of a running bridge."""

    house: House
    presets: Serving | None
    guard: Guard
    taps: list[Callable[[int, Batch, float], None]]

    @property
    def outside(self) -> Outside:
        """The links."""

    def wished(self) -> None:
        """A hand in this process has put wishes before the rules."""

    def followed(self) -> None:
        """Something changed that no hand has just made."""


class _HangUp(asyncio.Protocol):
    """For connections beyond the bound."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport), "TCP"
        transport.abort()


class Pages:
    """The web pages of a bridge.

    Args:
        bridge: The running bridge.
        rig: Its rig, with `[pages]`.

    Attributes:
        show: What is shown, and to whom.
        doors: How people come in.
        port: The port that they are served at, once they are.
    """

    def __init__(self, bridge: Bridge, rig: Rig) -> None:
        declared = rig.file.pages
        assert declared is not None, "asked for rigs with pages only"
        self._bridge, self._rig, self._declared = bridge, rig, declared
        self._path = kept.path_of(rig.where)
        self.port = 0
        self.passes = Passes(self._kept(), declared.token_hours)
        self.codes, tries = Codes(declared.code_minutes), Tries()
        self.show = Show(bridge, rig, self.passes, self.codes, keep=self.keep)
        self.doors = Doors(rig, self.passes, self.codes, tries, self.show)
        self._writing: asyncio.Task[None] | None = None
        self._unkept = False

    @contextlib.asynccontextmanager
    async def serve(self) -> AsyncIterator[None]:
        """Serve the pages while the context lasts.

        Raises:
            LinkError: the address cannot be used, or a certificate not be read.
        """
        runner = web.AppRunner(
            self.doors.app(BODY_BYTES_MAX), access_log=None, keepalive_timeout=QUIET_S,
            shutdown_timeout=1.0, handle_signals=False, lingering_time=2.0, logger=QUIET,
        )  # fmt: skip
        await runner.setup()
        try:
            server = await self._listen(runner)
            self.port = server.sockets[0].getsockname()[1]
            self._tell_where()
            async with asyncio.TaskGroup() as group:
                looking = group.create_task(self.show.run(), name="pages")
                try:
                    yield
                finally:
                    server.close()
                    looking.cancel()
        finally:
            await self.show.close()
            await runner.cleanup()
            if self._writing is not None:
                await self._writing

    async def _listen(self, runner: web.AppRunner) -> asyncio.Server:
        host, port = self._declared.place
        serve, loop = runner.server, asyncio.get_running_loop()
        assert serve is not None, "set up"
        secure = self._tls()

        def connected() -> asyncio.Protocol:
            return serve() if len(serve.connections) < CONNECTIONS_MAX else _HangUp()

        try:
            return await loop.create_server(connected, host, port, ssl=secure, backlog=64)
        except OSError as error:
            raise LinkError("pages", f"{self._declared.listen}: {error.strerror}",
                            "stop what uses this port, or name another") from None  # fmt: skip

    def _tls(self) -> ssl.SSLContext | None:
        """What TLS needs; None without a certificate."""
        declared = self._declared
        if declared.certificate is None or declared.key is None:
            return None
        folder = Path(self._rig.where).parent
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        try:
            context.load_cert_chain(folder / declared.certificate, folder / declared.key)
        except (OSError, ssl.SSLError) as error:
            found = error.strerror or "they do not belong together"
            raise LinkError("pages.certificate", found, "name a PEM chain and its key") from None
        return context

    def _tell_where(self) -> None:
        """Say where the pages are, and how the engineer comes in where no passphrase is set."""
        declared = self._declared
        scheme = "https" if declared.certificate else "http"
        host = declared.place[0]
        where = declared.address or f"{scheme}://{f'[{host}]' if ':' in host else host}:{self.port}"
        log.info("pages: %s", where)
        if declared.engineer is None:
            code = self.codes.make("engineer", asyncio.get_running_loop().time())
            log.info("engineer's page: %s/#%s (a code that works once)", where, code)
        if not declared.loopback and declared.certificate is None:
            log.warning("pages: no certificate, so whoever listens in on this network can read "
                        "tokens and the engineer's passphrase")  # fmt: skip

    # -- tokens on disk -------------------------------------------------------------------------

    def _kept(self) -> tuple[Pass, ...]:
        """The tokens of before; without a usable file everybody joins again."""
        try:
            return kept.read(self._path, people(self._rig))
        except FileError as error:
            log.warning("pages: %s; everybody has to join again", error)
            return ()

    def keep(self) -> None:
        """Write the tokens down, in a thread: a disk may take its time, the loop may not."""
        self._unkept = True
        if self._writing is None or self._writing.done():
            self._writing = asyncio.get_running_loop().create_task(self._write(), name="tokens")

    async def _write(self) -> None:
        while self._unkept:
            self._unkept = False
            self.passes.tidy(time.time())
            try:
                await asyncio.to_thread(kept.write, self._path, tuple(self.passes.all.values()))
            except OSError as error:
                log.warning("pages: tokens are not kept (%s); after a restart everybody has to "
                            "join again", error.strerror)  # fmt: skip


def people(rig: Rig) -> frozenset[str]:
    """Ids of everybody who may have a token."""
    return frozenset(rig.layout.performers) | {"engineer"}
