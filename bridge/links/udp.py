"""OSC over UDP: one socket that listens and sends. I/O."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable, Iterable
from typing import Any

from bridge.errors import LinkError
from bridge.links.address import SocketAddress, plain_host
from bridge.links.base import (
    DATAGRAM_BYTES_MAX,
    READS_PER_WAKE,
    RECEIVE_BUFFER_BYTES,
    Batch,
    Link,
    Source,
    ignore,
)
from bridge.links.sockets import (
    Guests,
    Place,
    bound_socket,
    cause_of,
    resolve,
    resolved_peers,
)

_SEND_FAULTS = (OSError, OverflowError, TypeError, ValueError)
"""All that ``sendto`` raises for an address or a size that cannot be."""


class UdpLink(Link):
    """Datagrams to a peer, and from those that may speak.

    Attributes:
        port: The port that the link listens on, once open.
        receive_buffer_bytes: What the system granted for datagrams that wait.
    """

    def __init__(
        self,
        name: str,
        inbox: Callable[[Batch], None],
        changed: Callable[[str], None] = ignore,
        *,
        peer: SocketAddress | None = None,
        listen: SocketAddress | None = None,
        peers: Iterable[str | tuple[str, int]] | None = None,
        use_reader: bool = True,
    ) -> None:
        """Prepare a link; nothing happens before it opens.

        Args:
            name: The link's name in the rig.
            inbox: Takes each batch of datagrams.
            changed: Hears each new state.
            peer: Where ``send`` sends to; None: the link only answers with ``send_to``.
            listen: Where to listen; None: any free port.
            peers: Hosts, or hosts with one port, that may speak. None: the host of ``peer``, and
                everybody where there is no peer.
            use_reader: False reads through an asyncio transport, one datagram per turn, which
                happens by itself where the event loop has no ``add_reader``.
        """
        super().__init__(name, inbox, changed)
        self._peer, self._listen, self._use_reader = peer, listen, use_reader
        self._peers = peers if peers is not None or peer is None else (peer.host,)
        self._guests = Guests(None)
        self._socket: socket.socket | None = None
        self._transport: asyncio.DatagramTransport | None = None
        self._target: Source | None = None
        self.port = self.receive_buffer_bytes = 0

    async def open(self) -> None:
        """Look names up, bind, and read from now on.

        Raises:
            LinkError: An unknown name, or a port that is busy.
        """
        self._become("opening")
        try:
            sock = await self._bind()
            await self._read_from(sock)
        except BaseException:
            await self.close()
            raise
        self._become("open")

    async def _bind(self) -> socket.socket:
        """The link's socket, bound, with the peer's address looked up."""
        target = await self._there()
        here = await self._here(target)
        port = self._listen.port if self._listen else 0
        if self._peers is not None:
            self._guests = Guests(await resolved_peers(self.name, self._peers, socket.SOCK_DGRAM))
        sock = self._socket = bound_socket(self.name, here, socket.SOCK_DGRAM, port)
        if target is not None:
            self._target = _seen_from(self.name, sock, target)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BUFFER_BYTES)
        self.receive_buffer_bytes = sock.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF)
        self.port = sock.getsockname()[1]
        return sock

    async def _there(self) -> Place | None:
        """The peer's address, if there is a peer."""
        if self._peer is None:
            return None
        return await resolve(self.name, self._peer.host, self._peer.port, socket.SOCK_DGRAM)

    async def _here(self, target: Place | None) -> Place | None:
        """Where to listen: as declared, or on every address that can reach the peer."""
        if self._listen is not None and self._listen.host:
            host, port = self._listen.host, self._listen.port
            return await resolve(self.name, host, port, socket.SOCK_DGRAM)
        if target is None:
            return None
        everywhere = "0.0.0.0" if target.family == socket.AF_INET else "::"
        return Place(target.family, (everywhere, self._listen.port if self._listen else 0))

    async def _read_from(self, sock: socket.socket) -> None:
        """Have the loop tell about datagrams, the fast way where it can."""
        loop = asyncio.get_running_loop()
        if self._use_reader:
            try:
                return loop.add_reader(sock, self._read)
            except NotImplementedError:  # the Proactor loop of Windows
                pass
        self._use_reader = False
        self._transport, _ = await loop.create_datagram_endpoint(lambda: _OneByOne(self), sock=sock)

    async def close(self) -> None:
        """Stop reading and free the port."""
        sock, self._socket = self._socket, None
        if sock is not None and self._use_reader:
            asyncio.get_running_loop().remove_reader(sock)
        if self._transport is not None:
            self._transport.close()
            self._transport = None
        elif sock is not None:
            sock.close()
        self._become("closed")

    def send(self, data: bytes) -> bool:
        """Send one datagram to the peer; False: it did not leave."""
        if self._target is None:
            return self._drop("no peer", "there is no peer to send to")
        return self.send_to(data, self._target)

    def send_to(self, data: bytes, source: Source) -> bool:
        """Send one datagram to a numeric address as the inbox got it; False: it did not leave."""
        if self._socket is None:
            return self._drop("not open", "a message came while the link was not open")
        try:
            self._socket.sendto(data, source)
        except _SEND_FAULTS as fault:
            return self._drop(cause_of(fault), f"sending to {source} failed: {fault}")
        self.sent += 1
        return True

    def _read(self) -> None:
        """Read what has arrived, up to a bound, and deliver it together."""
        sock, batch = self._socket, []
        if sock is None:
            return
        for _ in range(READS_PER_WAKE):
            try:
                data, source = sock.recvfrom(DATAGRAM_BYTES_MAX + 1)
            except (BlockingIOError, InterruptedError):
                break
            except OSError as fault:  # an earlier datagram of ours found nobody
                self._trouble(cause_of(fault), f"reading failed: {fault}")
                continue
            if self._admits(data, source):
                batch.append((data, source))
        if batch:
            self._deliver(batch)

    def _admits(self, data: bytes, source: Any) -> bool:
        """True for a datagram to deliver; others are counted here."""
        if not self._guests.welcome(source):
            return self.refuse(
                "stranger", f"{plain_host(source[0])} port {source[1]} is not allowed to speak here"
            )
        if len(data) > DATAGRAM_BYTES_MAX:
            return self._drop(
                "too long",
                f"{plain_host(source[0])} sent more than {DATAGRAM_BYTES_MAX} bytes in a datagram",
            )
        return True


class _OneByOne(asyncio.DatagramProtocol):
    """Reading where the loop has no ``add_reader``: each datagram is a batch."""

    def __init__(self, link: UdpLink) -> None:
        self._link = link

    def datagram_received(self, data: bytes, addr: Any) -> None:
        """Deliver one datagram."""
        if self._link._admits(data, addr):
            self._link._deliver([(data, addr)])

    def error_received(self, exc: OSError | Exception) -> None:
        """Count what the system reports about an earlier datagram."""
        self._link._trouble(cause_of(exc), f"the network reports: {exc}")


def _seen_from(link: str, sock: socket.socket, target: Place) -> Source:
    """The peer's address as this socket must say it: IPv4 from an IPv6 socket is mapped."""
    if sock.family == target.family:
        return target.address
    if sock.family == socket.AF_INET:
        raise LinkError(
            link,
            f"it listens on an IPv4 address, and its peer {target.address[0]} has an IPv6 one",
            "use the same kind for both, or listen with an empty host",
        )
    return (f"::ffff:{plain_host(target.address[0])}", target.address[1])
