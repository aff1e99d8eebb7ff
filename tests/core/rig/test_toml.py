"""From a key path to its line. Pure."""

from __future__ import annotations

import tomllib

import pytest

from bridge.errors import Fault, MapError, RigError
from bridge.rig.toml import Path, line_of, place, read_toml

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
        (("bus", 7, "id"), 10),
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


OWN_LINES = {
    "several arrays of tables": r"""[rig]
n = 2
[[bus]]
n = 4
[[bus.part]]
n = 6
[[bus.part]]
n = 8
[[bus]]
n = 10
[[bus.part]]
n = 12
[bus.part.deep]
n = 14
[[channel]]
n = 16
[other]
n = 18
""",
    "dotted keys, and one key in each table": r"""a.b = 1
a.c.d = 2
a . "e" . 'f' = 3
[[x]]
limit.low = 5
limit.high = 6
[[x]]
limit.low = 8
limit.high = 9
x.x.x = 10
3.1 = 11
""",
    "inline tables and lists": r"""a = { b = 1, c = { d = 1, e.f = 1 } }
l = [2, [2, 2], { x = 2 }, [
  3, # ] no end, and no "string
  4,
  [], { y = 5, z = [5, { w = 5 }] },
]]
m = [ { q = 7 }, { q = 7 },
      { q = 8 } ]
after = 9
""",
    "strings like something else": r"""s = "n = 9 # [x]\" n = 9" # '''
n = 2
t = '[x]\'
u = 4
v = QQQ
[x]
n = 7 \QQQ {
QQQ""
w = 9
y = ''' # "
[[z]] = ''''
z = [ '', "", 12, '''
''', 13 ]
"a.b".c = 14
"\u00e9\"" = 15
["[q]".'#']
r = 17
""",
    "tables out of order, numbers with signs": r"""[a.b]
n = 2
[a]
n = 4
f = [1.5, -2e-3, inf, +nan, 1979-05-27 07:32:00.5, 5]
g = 1979-05-27T07:32:00Z
h = 7
[[c.d]]
[[c.d]]
n = 10
""",
}  # fmt: skip
"""TOML texts in which every whole number is the number of its line; QQQ stands for three quotes."""


def numbers(value: object, path: tuple[str | int, ...] = ()) -> list[tuple[Path, int]]:
    """Every whole number of a table, with its key path."""
    if isinstance(value, dict):
        return [found for key, each in value.items() for found in numbers(each, (*path, key))]
    if isinstance(value, list):
        return [found for i, each in enumerate(value) for found in numbers(each, (*path, i))]
    return [(path, value)] if isinstance(value, int) else []


@pytest.mark.parametrize("end", ["\n", "\r\n"], ids=["lf", "crlf"])
@pytest.mark.parametrize("text", OWN_LINES.values(), ids=OWN_LINES)
def test_every_number_is_found_on_its_own_line(text: str, end: str) -> None:
    text = text.replace("\n", end).replace("QQQ", '"' * 3)
    found = numbers(tomllib.loads(text))
    assert len(found) > 4
    assert {path: line_of(text, path) for path, _ in found} == dict(found)


def test_a_table_is_shown_at_its_own_header_though_one_inside_it_came_first() -> None:
    assert line_of("[a.b]\nn = 2\n[a]\nn = 4\n", ("a",)) == 3


def test_a_line_end_of_another_kind_inside_a_string_is_no_line() -> None:
    assert line_of("a = 'x\u2028y'\n# \x85\nb = 3\n", ("b",)) == 3


def test_many_faults_in_a_long_text_are_placed_at_once() -> None:
    text = "".join(f"[[bus]]\nid = {2 * n + 2}\n" for n in range(5_000))
    assert [line_of(text, ("bus", n, "id")) for n in range(5_000)] == list(range(2, 10_002, 2))


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("a = " + "[" * 100_000, "brackets within brackets, too deep to read"),
        ("a = " + "{a=" * 100_000, "brackets within brackets, too deep to read"),
        ("a = " + "9" * 5_000, "a number of thousands of digits"),
    ],
    ids=["lists", "tables", "digits"],
)
def test_what_cannot_be_held_is_a_fault_and_no_crash(text: str, found: str) -> None:
    with pytest.raises(RigError) as caught:
        read_toml(text, "house.toml", RigError)
    assert caught.value.faults == (Fault("house.toml", found, "TOML 1.0 of a reasonable size"),)
