"""The script that one writes by hand in an evening: python-osc, a clamp, send on. I/O.

usage: forward_script.py LISTEN_PORT SINK_PORT

One mapped wildcard, not one entry for each cell: with 2,048 entries python-osc's dispatcher
takes far longer, and the comparison would flatter the bridge.
"""

from __future__ import annotations

import sys

from pythonosc.dispatcher import Dispatcher
from pythonosc.osc_server import BlockingOSCUDPServer
from pythonosc.udp_client import SimpleUDPClient

CEILING_DB = 12.0


def main(listen: int, sink: int) -> None:
    """Forward until the process is ended."""
    client = SimpleUDPClient("127.0.0.1", sink)

    def forward(address: str, *values: object) -> None:
        (level_db,) = values
        assert isinstance(level_db, float)
        client.send_message(address, min(level_db, CEILING_DB))

    dispatcher = Dispatcher()
    dispatcher.map("/out/*/in/*/level", forward)
    server = BlockingOSCUDPServer(("127.0.0.1", listen), dispatcher)
    print("ready", flush=True)
    server.serve_forever()


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
