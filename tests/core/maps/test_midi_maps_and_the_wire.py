"""A wire that is as slow as the standard allows is never told more than it carries."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.maps.load import parse_map

MAPPINGS = Path(__file__).parents[3] / "mappings"
SLOWEST_BYTES_PER_S = 31_250 / 10 * 0.99
"""MIDI 1.0 on a wire: 31,250 baud +/- 1 %, start and stop bit (IEC 63035:2017)."""


@pytest.mark.parametrize("name", sorted(p.name for p in MAPPINGS.glob("console-midi-*.toml")))
def test_a_shipped_midi_map_keeps_to_the_slowest_legal_wire(name: str) -> None:
    declared = parse_map((MAPPINGS / name).read_text(), name).console.bytes_per_s
    assert declared is not None and declared <= SLOWEST_BYTES_PER_S
