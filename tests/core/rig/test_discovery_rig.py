"""What a rig may say of `[discovery]`, and what it says against itself."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from pydantic import ValidationError
from support.queried import RIG

from bridge.rig.discovery import contradictions, is_ipv4
from bridge.rig.model import RigFile

MIDI = """
[[controller]]
id = "feet"
hands = "ines"
map = "feet.toml"
midi = "Foot*"
"""


def found(text: str) -> list[tuple[Any, str, str]]:
    """What `[discovery]` says that cannot be."""
    table = tomllib.loads(RIG + MIDI + "[discovery]\n" + text)
    return list(contradictions(RigFile.model_validate(table)))


@pytest.mark.parametrize("text", [
    'controller = "tablet"',
    'controller = "panel"\nlisten = "127.0.0.1:0"\nname = "Room 2"',
    'controller = "tablet"\nlisten = "[::1]:8781"\nannounce = false',
    'controller = "tablet"\nlisten = "0.0.0.0:8781"\nopen_to_network = true\n'
    'announce_on = ["192.0.2.5"]',
    'controller = "tablet"\nlisten = "192.0.2.5:8781"\nopen_to_network = true\n'
    'announce_on = ["192.0.2.5"]',
])  # fmt: skip
def test_what_can_be_passes(text: str) -> None:
    assert found(text) == []


FAULTS = (
    ('controller = "tabled"', ("controller",), "'tabled'", "one of panel, tablet"),
    ('controller = "feet"', ("controller",), "'feet', a controller on MIDI", "one of panel, tab"),
    ('controller = "tablet"\nlisten = "8781"', ("listen",), "'8781'", "host:port in numbers"),
    ('controller = "tablet"\nlisten = "127.0.0.1:65536"', ("listen",), "'127.0.0.1:65536'", "host"),
    ('controller = "tablet"\nlisten = "0.0.0.0:8781"', ("listen",), "'0.0.0.0:8781'",
     "an address of this machine alone, 127.0.0.1:8781, or open_to_network = true"),
    ('controller = "tablet"\nlisten = "[::1]:8781"', ("listen",), "'[::1]:8781'",
     "an IPv4 address to announce, or announce = false"),
    ('controller = "tablet"\nannounce_on = ["eth0"]', ("announce_on", 0), "'eth0'", "an IPv4"),
    ('controller = "tablet"\nannounce_on = ["192.0.2.5"]', ("announce_on", 0), "'192.0.2.5'",
     "127.0.0.1, where it listens"),
)  # fmt: skip


@pytest.mark.parametrize(("text", "key", "what", "expected"), FAULTS)
def test_what_cannot_be_is_told_with_its_key(
    text: str, key: tuple[str | int, ...], what: str, expected: str
) -> None:
    ((path, told, wanted),) = found(text)
    assert path == ("discovery", *key) and told == what and wanted.startswith(expected)


def test_a_rig_without_it_says_nothing_about_it() -> None:
    assert list(contradictions(RigFile.model_validate(tomllib.loads(RIG)))) == []


def test_it_needs_a_controller_and_knows_its_keys() -> None:
    for text in ("", 'controller = "tablet"\nport = 8781', 'controller = "tablet"\nannounce = 1'):
        with pytest.raises(ValidationError):
            found(text)


@pytest.mark.parametrize("text", ["0.0.0.0", "255.255.255.255", "192.0.2.5"])
def test_an_ipv4_address_is_one(text: str) -> None:
    assert is_ipv4(text)


@pytest.mark.parametrize("text", ["256.0.0.1", "1.2.3", "01.2.3.4", "1.2.3.4\n", "::1", "a.b.c.d"])
def test_anything_else_is_none(text: str) -> None:
    assert not is_ipv4(text)
