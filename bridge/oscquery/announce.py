"""Announces discovery by DNS-SD on the networks that this machine is on now. I/O.

``_oscjson._tcp`` is where OSCQuery is asked (OSCQuery, "Core Functionality"); ``_osc._udp`` is
where the controller's OSC is taken, under the same name. The bridge works without: no network, no
library and a name that is taken are told in the log, and tried again.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import secrets
import socket
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from bridge.links.address import SocketAddress
from bridge.oscquery.answers import EVERYWHERE
from bridge.rig.discovery import Discovery

if TYPE_CHECKING:
    from zeroconf import ServiceInfo
    from zeroconf.asyncio import AsyncZeroconf

log = logging.getLogger("foldbridge.discovery")

LISTEN_S = 1.1
"""It asks who else is there and listens for so long before it takes its name: an answer that was
told to everybody need not be told again for a second (RFC 6762, section 6)."""

LOOK_S = 5.0
"""Time between two looks which addresses this machine has: cables are pulled, radios roam."""

CLOSE_S = 2.0
"""Time to say good-bye: three packets an eighth of a second apart (RFC 6762, section 10.1), more
where a network is gone."""

NAME_BYTES_MAX = 63
"""Longest name of a service (RFC 6763, section 4.1.1: one DNS label)."""

ASKED, OSC = "_oscjson._tcp.local.", "_osc._{transport}.local."
"""Types of the two services."""

Addresses = Callable[[], Sequence[str]]


def service_name(text: str) -> str:
    """A name as DNS-SD carries it: one label of at most 63 bytes.

    A dot would be allowed there (RFC 6763, section 4.3) and is taken for the end of the label by
    programs that do not escape it, so it becomes a space.
    """
    plain = " ".join(text.replace(".", " ").split())
    return plain.encode()[:NAME_BYTES_MAX].decode(errors="ignore").strip() or "foldbridge"


def addresses_now() -> list[str]:
    """The IPv4 addresses of this machine, without the loopback ones."""
    import ifaddr

    found = {
        str(one.ip) for each in ifaddr.get_adapters() for one in each.ips if one.is_IPv4
    }  # fmt: skip
    return sorted(one for one in found if not one.startswith("127."))


class Announcer:
    """Keeps the two services announced.

    Args:
        declared: What the rig wants.
        osc: Where the controller's OSC is taken.
        name: The name to be found under.
        port: Where OSCQuery is asked.
        addresses: Looks which addresses there are.

    Attributes:
        name: The name that it is found under: another one where it was taken.
        host: The name of this machine in the announcements.
        announced: The addresses that it is announced on now; empty while it is not.
    """

    def __init__(
        self,
        declared: Discovery,
        osc: SocketAddress,
        name: str,
        port: int,
        addresses: Addresses = addresses_now,
    ) -> None:
        self._declared, self._osc, self._wanted, self._port = declared, osc, name, port
        self._addresses = addresses
        self.name = name
        self.host = f"bridge-{secrets.token_hex(4)}.local"
        self.announced: tuple[str, ...] = ()
        self._told = ""

    async def run(self) -> None:
        """Announce until cancelled, and say good-bye then."""
        seen: tuple[str, ...] = ()
        async with contextlib.AsyncExitStack() as stack:
            while True:
                try:
                    seen = await self._look(stack, seen)
                except Exception as problem:  # it may never take the bridge down with it
                    self._tell(f"not announced: {problem!r:.200}; trying again")
                    await stack.aclose()
                await asyncio.sleep(LOOK_S)

    async def _look(
        self, stack: contextlib.AsyncExitStack, seen: tuple[str, ...]
    ) -> tuple[str, ...]:
        """Announce anew where this machine has other addresses; twice seen, they are believed.

        Returns:
            The addresses that there are now.
        """
        here = self._here()
        if here != self.announced and (here == seen or not self.announced):
            await stack.aclose()
            self.announced = ()
            if here:
                await self._announce(stack, here)
        return here

    def _here(self) -> tuple[str, ...]:
        """The addresses to announce on."""
        host = self._declared.place[0]
        if self._declared.announce_on:
            there = set(self._addresses()) if host == "0.0.0.0" else {host}
            return tuple(one for one in self._declared.announce_on if one in there)
        if host == "localhost":
            return ("127.0.0.1",)
        return (host,) if host != "0.0.0.0" else tuple(self._addresses())

    async def _announce(self, stack: contextlib.AsyncExitStack, here: tuple[str, ...]) -> None:
        """Register both services; what goes wrong is told once and tried again."""
        try:
            from zeroconf import Error
            from zeroconf.asyncio import AsyncZeroconf
        except ImportError:
            self._tell("not announced: the package zeroconf is missing, pip install zeroconf")
            return
        try:
            zeroconf = AsyncZeroconf(interfaces=list(here))
            stack.push_async_callback(_good_bye, zeroconf)
            await self._look_around(zeroconf)
            await self._register(zeroconf, here)
        except (OSError, RuntimeError, Error) as problem:
            self._tell(f"not announced on {', '.join(here)}: {problem}; trying again")
            await stack.aclose()
            return
        self.announced = here
        self._tell(f"announced as {self.name!r} on {', '.join(here)}")

    async def _look_around(self, zeroconf: AsyncZeroconf) -> None:
        """Hear which names are taken.

        The question by which a name is claimed asks for an answer to the asker alone, and on a
        machine with several programs at this port another one of them may get it.
        """
        from zeroconf import DNSQuestionType
        from zeroconf.asyncio import AsyncServiceBrowser

        browser = AsyncServiceBrowser(
            zeroconf.zeroconf,
            [ASKED, OSC.format(transport=self._osc.transport)],
            handlers=[lambda **_: None],
            question_type=DNSQuestionType.QM,
        )
        try:
            await asyncio.sleep(LISTEN_S)
        finally:
            await browser.async_cancel()

    async def _register(self, zeroconf: AsyncZeroconf, here: tuple[str, ...]) -> None:
        asked = self._info(ASKED, self._wanted, self._port, here)
        await (await zeroconf.async_register_service(asked, allow_name_change=True))
        self.name = asked.get_name()
        where = [one for one in here if self._osc.host in (*EVERYWHERE, one)]
        if where:
            kind = OSC.format(transport=self._osc.transport)
            osc = self._info(kind, self.name, self._osc.port, tuple(where))
            await (await zeroconf.async_register_service(osc, allow_name_change=True))

    def _info(self, kind: str, name: str, port: int, here: tuple[str, ...]) -> ServiceInfo:
        from zeroconf import ServiceInfo

        return ServiceInfo(
            kind,
            f"{name}.{kind}",
            port=port,
            addresses=[socket.inet_aton(one) for one in here],
            server=f"{self.host}.",
        )

    def _tell(self, text: str) -> None:
        if text != self._told:
            self._told = text
            log.info("discovery: %s", text)


async def _good_bye(zeroconf: AsyncZeroconf) -> None:
    with contextlib.suppress(TimeoutError, OSError):
        async with asyncio.timeout(CLOSE_S):
            await zeroconf.async_close()
