"""The least that Python can do: datagrams out as they came in. I/O.

usage: forward_bare.py LISTEN_PORT SINK_PORT

An asyncio protocol that looks at nothing: the floor that the bridge's latency is held against.
"""

from __future__ import annotations

import asyncio
import sys
from typing import cast


class Forwarder(asyncio.DatagramProtocol):
    """Sends every datagram on to one port."""

    def __init__(self, sink: tuple[str, int]) -> None:
        self._sink = sink
        self._transport: asyncio.DatagramTransport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the socket."""
        self._transport = cast(asyncio.DatagramTransport, transport)

    def datagram_received(self, data: bytes, addr: object) -> None:
        """Send it on."""
        assert self._transport is not None
        self._transport.sendto(data, self._sink)


async def main(listen: int, sink: int) -> None:
    """Forward until the process is ended."""
    loop = asyncio.get_running_loop()
    await loop.create_datagram_endpoint(
        lambda: Forwarder(("127.0.0.1", sink)), local_addr=("127.0.0.1", listen)
    )
    print("ready", flush=True)
    await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1]), int(sys.argv[2])))
