"""A link of 3125 bytes a second (MIDI 1.0 on a wire) under a flood of wishes. I/O."""

from __future__ import annotations

import socket
import struct
import time
from collections import deque
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import peers
import rigs

BYTES_PER_S = 3125
CHANNELS, BUSES = 8, 4
CELLS = CHANNELS * BUSES
WISHES_PER_S = 25
SECONDS = 8.0
WINDOW_S = 1.0
FALL_DB = 0.125
"""Every wish asks for a little less: a fall is never limited, so whatever waits, waits for the
link. Exact in a 32-bit float."""
SETTLE_S = 3.0

Arrival = tuple[float, int, int]
"""When, which cell, how many steps down it was told to be."""


def wire(folder: Path) -> dict[str, Any]:
    """Bytes over the budget, and the longest that a wish waited for its word or a newer one."""
    ports = peers.free_ports(echo=False)
    files = rigs.osc_files(CHANNELS, BUSES, ports, f"bytes_per_s = {BYTES_PER_S}")
    del files["none"] if "none" in files else files
    return _figures(folder, files, ports)
