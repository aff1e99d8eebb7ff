"""What errors say: where, what was found, what was expected. Pure."""

from __future__ import annotations

import pytest

from bridge.errors import BridgeError, Fault, FileError, LinkError, MapError, RigError, WireError

CEILING = Fault("ferry-lane.toml:12 bus.2.ceiling_db", "'loud'", "a level in dB, -90 to 12")
LAW = Fault("keys.toml:3 midi.1.law", "'fast'", "'linear' or 'scale'")

TEXTS: tuple[tuple[BridgeError, str], ...] = (
    (
        RigError([CEILING]),
        "ferry-lane.toml:12 bus.2.ceiling_db: found 'loud', expected a level in dB, -90 to 12",
    ),
    (
        MapError([LAW, CEILING]),
        "keys.toml:3 midi.1.law: found 'fast', expected 'linear' or 'scale'\n"
        "ferry-lane.toml:12 bus.2.ceiling_db: found 'loud', expected a level in dB, -90 to 12",
    ),
    (WireError("float cut short"), "float cut short"),
    (
        LinkError("console", "port 9001 is in use", "stop the other program, or change listen"),
        "console: port 9001 is in use; stop the other program, or change listen",
    ),
)


@pytest.mark.parametrize(("error", "text"), TEXTS, ids=lambda value: type(value).__name__)
def test_an_error_says_where_what_was_found_and_what_was_expected(
    error: BridgeError, text: str
) -> None:
    assert str(error) == text


@pytest.mark.parametrize("kind", [RigError, MapError, WireError, LinkError, FileError])
def test_every_error_is_caught_as_one_of_ours(kind: type[Exception]) -> None:
    assert issubclass(kind, BridgeError)


def test_every_error_has_a_row_with_its_text() -> None:
    made, waiting = set(), [BridgeError]
    while waiting:
        kind = waiting.pop()
        made.add(kind)
        waiting += [sub for sub in kind.__subclasses__() if sub.__module__ == "bridge.errors"]
    assert {type(error) for error, _ in TEXTS} == made - {BridgeError, FileError}


@pytest.mark.parametrize("kind", [RigError, MapError])
def test_a_file_error_keeps_all_its_faults(kind: type[FileError]) -> None:
    assert kind(iter([CEILING, LAW])).faults == (CEILING, LAW)


def test_a_wire_error_keeps_its_reason() -> None:
    assert WireError("bundle too deep").reason == "bundle too deep"


def test_a_link_error_keeps_its_facts() -> None:
    error = LinkError("console", "no answer", "switch it on")
    assert (error.link, error.found, error.remedy) == ("console", "no answer", "switch it on")


def test_a_rig_error_is_no_map_error() -> None:
    assert not issubclass(RigError, MapError) and not issubclass(MapError, RigError)
