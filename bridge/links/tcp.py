"""OSC over TCP: to a console that listens, and from controllers that connect. I/O."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable, Iterable

from bridge.links.address import SocketAddress, plain_host
from bridge.links.base import (
    BACKOFF_LAST_S,
    CONNECTIONS_MAX,
    Backoff,
    Batch,
    Link,
    Source,
    ignore,
)
from bridge.links.connection import NOT_CONNECTED, Connection
from bridge.links.sockets import Guests, bound_socket, cause_of, resolve, resolved_peers


class _TcpLink(Link):
    """What both ends of a connection have in common."""

    reliable = True

    def _packets(self, connection: Connection, packets: list[bytes]) -> None:
        """Deliver what the other end said, and count what it said wrongly."""
        source = connection.source
        if skipped := connection.skipped():
            self.refused += skipped
            self._trouble("frame skipped", f"{_text(source)} sent a frame that is no packet")
        if packets:
            self._deliver([(packet, source) for packet in packets])

    def _write(self, connection: Connection, data: bytes) -> bool:
        """Send one packet; False: it was not taken."""
        if cause := connection.write(data):
            return self._drop(
                cause, f"{_text(connection.source)}: {cause}, so a packet was left out"
            )
        self.sent += 1
        return True


class TcpClient(_TcpLink):
    """A connection to a console, made again whenever it is lost."""

    def __init__(
        self,
        name: str,
        inbox: Callable[[Batch], None],
        changed: Callable[[str], None] = ignore,
        *,
        peer: SocketAddress,
    ) -> None:
        """Prepare a link; nothing happens before it opens.

        Args:
            name: The link's name in the rig.
            inbox: Takes each batch of packets.
            changed: Hears each new state.
            peer: Where to connect to, with its framing.
        """
        super().__init__(name, inbox, changed)
        self._peer = peer
        self._connection: Connection | None = None
        self._task: asyncio.Task[None] | None = None

    async def open(self) -> None:
        """Look the console up and connect in the background, again and again until closed.

        Raises:
            LinkError: The host's name is unknown.
        """
        self._become("opening")
        try:
            place = await resolve(self.name, self._peer.host, self._peer.port, socket.SOCK_STREAM)
        except BaseException:
            self._become("closed")
            raise
        host, port = place.address[:2]
        self._task = asyncio.create_task(self._keep(host, port), name=f"link {self.name}")

    async def close(self) -> None:
        """End the connection and stop making new ones."""
        task, self._task = self._task, None
        if task is not None:
            task.cancel()
            await asyncio.wait({task})
        self._become("closed")

    def send(self, data: bytes) -> bool:
        """Send one packet; False: not connected, or the console reads too slowly."""
        if self._connection is None:
            return self._drop(NOT_CONNECTED, "a message came while there was no connection")
        return self._write(self._connection, data)

    async def _keep(self, host: str, port: int) -> None:
        """Connect, live, and start over: the link's only task."""
        loop, backoff = asyncio.get_running_loop(), Backoff()
        while True:
            began_s = loop.time()
            try:
                await self._live(host, port)
            except (OSError, TimeoutError) as fault:
                self._trouble(cause_of(fault), f"no connection to {host} port {port}: {fault}")
            except Exception as fault:
                self._trouble(f"fault: {type(fault).__name__}", f"the connection failed: {fault}")
            backoff.lasted(loop.time() - began_s if self.state == "open" else 0.0)
            if self.state == "open":
                self._become("lost")
            await asyncio.sleep(backoff.wait_s())

    async def _live(self, host: str, port: int) -> None:
        """One connection from its begin to its end."""
        loop = asyncio.get_running_loop()
        connection = Connection(self._peer.framing, self._packets)
        try:
            async with asyncio.timeout(BACKOFF_LAST_S):
                await loop.create_connection(lambda: connection, host, port)
            self._connection = connection
            self._become("open")
            await connection.ended.wait()
            self._ended(connection)
        finally:
            self._connection = None
            connection.abort()

    def _ended(self, connection: Connection) -> None:
        """Count why a connection ended."""
        if connection.violation:
            self.refused += 1
        why = connection.violation or connection.fault or "the other end closed it"
        self._trouble(why, f"the connection ended: {why}")


class TcpServer(_TcpLink):
    """A port that controllers connect to.

    Attributes:
        port: The port that the link listens on, once open.
    """

    def __init__(
        self,
        name: str,
        inbox: Callable[[Batch], None],
        changed: Callable[[str], None] = ignore,
        *,
        listen: SocketAddress,
        peers: Iterable[str | tuple[str, int]] | None = None,
    ) -> None:
        """Prepare a link; nothing happens before it opens.

        Args:
            name: The link's name in the rig.
            inbox: Takes each batch of packets.
            changed: Hears each new state.
            listen: Where to listen, with the framing.
            peers: Hosts that may connect; None: everybody.
        """
        super().__init__(name, inbox, changed)
        self._listen, self._peers, self._guests = listen, peers, Guests(None)
        self._connections: dict[Source, Connection] = {}
        self._server: asyncio.Server | None = None
        self.port = 0

    @property
    def sources(self) -> tuple[Source, ...]:
        """Everyone who is connected now, oldest first."""
        return tuple(self._connections)

    async def open(self) -> None:
        """Listen from now on.

        Raises:
            LinkError: An unknown name, or a port that is busy.
        """
        self._become("opening")
        try:
            await self._start()
        except BaseException:
            self._become("closed")
            raise
        self._become("open")

    async def _start(self) -> None:
        """Bind and listen."""
        host, port = self._listen.host, self._listen.port
        here = await resolve(self.name, host, port, socket.SOCK_STREAM) if host else None
        if self._peers is not None:
            self._guests = Guests(await resolved_peers(self.name, self._peers, socket.SOCK_STREAM))
        sock = bound_socket(self.name, here, socket.SOCK_STREAM, port)
        self.port = sock.getsockname()[1]
        self._server = await asyncio.get_running_loop().create_server(
            lambda: Connection(self._listen.framing, self._packets, self._joined, self._left),
            sock=sock,
        )

    async def close(self) -> None:
        """Stop listening and end every connection."""
        if self._server is not None:
            self._server.close()
            self._server = None
        for connection in tuple(self._connections.values()):
            connection.abort()
            await connection.ended.wait()
        self._become("closed")

    def send(self, data: bytes) -> bool:
        """Send one packet to everyone; False: nobody took it."""
        if not self._connections:
            return self._drop(NOT_CONNECTED, "a message came while nobody was connected")
        taken = [self.send_to(data, source) for source in self._connections]
        return any(taken)

    def send_to(self, data: bytes, source: Source) -> bool:
        """Send one packet to one of the connected; False: gone, or it reads too slowly."""
        connection = self._connections.get(source)
        if connection is None:
            return self._drop(NOT_CONNECTED, f"{source} is not connected")
        return self._write(connection, data)

    def _joined(self, connection: Connection) -> bool:
        """Let a new connection in, or say no."""
        source = connection.source
        if not self._guests.welcome(source):
            return self.refuse("stranger", f"{_text(source)} is not allowed to connect here")
        if len(self._connections) >= CONNECTIONS_MAX:
            return self.refuse(
                "full", f"{_text(source)} was sent away: {CONNECTIONS_MAX} are connected"
            )
        self._connections[source] = connection
        return True

    def _left(self, connection: Connection) -> None:
        """Forget a connection that ended."""
        if self._connections.pop(connection.source, None) is not None and connection.violation:
            self.refuse(
                connection.violation, f"{_text(connection.source)} sent {connection.violation}"
            )


def _text(source: Source) -> str:
    """An address as people read it."""
    return source if isinstance(source, str) else f"{plain_host(source[0])} port {source[1]}"
