"""What the tests of address maps share. Pure."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.maps.load import parse_map
from bridge.maps.model import MapFile
from bridge.rig.layout import Layout

MAPPINGS = Path(__file__).parents[3] / "mappings"


@pytest.fixture
def layout() -> Layout:
    return Layout(
        ("drums", "accordion", "voice", "bass"),
        ("kit", "keys", "front"),
        ("ines", "tomas"),
        ("band",),
    )


@pytest.fixture
def shipped() -> Callable[[str], MapFile]:
    def load(name: str) -> MapFile:
        path = MAPPINGS / f"{name}.toml"
        return parse_map(path.read_text(encoding="utf-8"), path.name)

    return load
