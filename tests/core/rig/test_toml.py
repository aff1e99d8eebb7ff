"""From a key path to its line. Pure."""

from __future__ import annotations

import pytest

from bridge.errors import MapError, RigError
from bridge.rig.toml import line_of, place, read_toml

TEXT = """\
# a comment with [brackets] and a key = 1
top = 1

[rig]
name = "Ferry Lane"   # [bus]
"quoted key" = 2
'single' = 3
dotted.inner = 4

[[bus]]
id = "kit"
start_mix = { voice = -20 }

[[bus]]
id = "front"
  indented = 5
[bus.more]
deep = 6

[[ bus ]]   # spaces in a header
id = "side"

[[bus.part]]
x = 1
[[bus.part]]
x = 2
"""

LINES: tuple[tuple[tuple[str | int, ...], int], ...] = (
    (("top",), 2),
    (("rig",), 4),
    (("rig", "name"), 5),
    (("rig", "quoted key"), 6),
    (("rig", "single"), 7),
    (("rig", "dotted", "inner"), 8),
    (("bus", 0), 10),
    (("bus", 0, "id"), 11),
    (("bus", 0, "start_mix", "voice"), 12),
    (("bus", 1, "id"), 15),
    (("bus", 1, "indented"), 16),
    (("bus", 1, "more", "deep"), 18),
    (("bus", 2), 20),
    (("bus", 2, "id"), 21),
    (("bus", 2, "part", 0, "x"), 24),
    (("bus", 2, "part", 1, "x"), 26),
)


@pytest.mark.parametrize(("path", "line"), LINES, ids=str)
def test_a_key_is_found_at_its_line(path: tuple[str | int, ...], line: int) -> None:
    assert line_of(TEXT, path) == line


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("bus", 1, "missing"), 14),
        (("rig", "missing", "deeper"), 4),
        (("nothing",), 1),
        ((), 1),
        (("bus", 7, "id"), 1),
    ],
    ids=str,
)
def test_a_key_that_is_missing_is_shown_at_its_nearest_parent(
    path: tuple[str | int, ...], line: int
) -> None:
    assert line_of(TEXT, path) == line


def test_a_place_reads_file_line_key() -> None:
    assert place(TEXT, "house.toml", ("bus", 1, "id")) == "house.toml:15 bus.1.id"


def test_a_place_without_a_key_is_file_and_line() -> None:
    assert place(TEXT, "house.toml", ()) == "house.toml:1"


def test_toml_is_read() -> None:
    assert read_toml("a = [1, 2]", "house.toml", RigError) == {"a": [1, 2]}


@pytest.mark.parametrize(
    ("text", "where", "found"),
    [
        ("a = 1\nb = \n", "house.toml:2", "Invalid value"),
        ("a = 1\na = 2\n", "house.toml:2", "Cannot overwrite a value"),
        ("[rig]\nname = 'open", "house.toml:2", 'Expected "\'"'),
        ("[rig]\n[rig]\n", "house.toml:2", "Cannot declare ('rig',) twice"),
        ("= 1", "house.toml:1", "Invalid statement"),
    ],
)
def test_what_is_no_toml_is_told_with_its_line(text: str, where: str, found: str) -> None:
    with pytest.raises(MapError) as caught:
        read_toml(text, "house.toml", MapError)
    (fault,) = caught.value.faults
    assert (fault.where, fault.expected) == (where, "TOML 1.0")
    assert found in fault.found


def test_the_asked_kind_of_error_is_raised() -> None:
    with pytest.raises(RigError):
        read_toml("?", "house.toml", RigError)
