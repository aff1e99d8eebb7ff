"""What a file may import, how long it may be, and what its first line promises. I/O."""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
LINES_MAX = 400
BODY_LINES_MAX = 40


def words(text: str) -> frozenset[str]:
    return frozenset(text.split())


PLAIN = words(
    "__future__ abc bisect cmath collections dataclasses difflib enum functools heapq itertools "
    "math operator re struct types typing"
)
"""Standard modules without a clock, a file, a socket or chance in them: free for every row."""
STDLIB = frozenset(sys.stdlib_module_names)
TOUCHY = words(
    "aiohttp asyncio logging os pathlib queue random rtmidi secrets select selectors signal socket "
    "sqlite3 subprocess sys tempfile threading time"
)
"""What a file that calls itself pure may not import, in whatever row it stands."""
SEEDED = frozenset({("simulator", "random")})
"""Chance from a seed that is an argument is as good as pure; only the witness needs any."""
TOUCHY_CALLS = words("open print input exec eval breakpoint")
BASE = "errors limits units"
PURE_PARTS = f"{BASE} rig wire stage mix maps"
INSIDE = f"{PURE_PARTS} console controllers house"
ALL_PARTS = (
    f"{INSIDE} checking doors links roads journal pages watching simulator daemon demo simulate "
    "view plan presets soundcheck oscquery learning loading telling services explain guard cli"
)


@dataclass(frozen=True)
class Row:
    """What one folder or file of the package may import.

    Attributes:
        bridge: Other folders and files of the package, separated by spaces.
        besides: Top-level modules besides the plain ones.
        pure: Whether it must do without files, clocks, chance and output.
    """

    bridge: str = ""
    besides: frozenset[str] = frozenset()
    pure: bool = True


LOOP = "asyncio contextlib logging"
SYSTEM = (
    "errno fnmatch importlib ipaddress mido msvcrt os pathlib rtmidi select selectors signal "
    "socket subprocess sys threading"
)
ROWS: dict[str, Row] = {
    "__init__": Row(),
    "errors": Row(),
    "limits": Row(),
    "units": Row("errors"),
    "rig": Row(BASE, words("pydantic tomllib")),
    "rig/load": Row(BASE, words("pathlib pydantic tomllib"), pure=False),
    "wire": Row(BASE, words("pythonosc mido")),
    "stage": Row(f"{BASE} rig", words("numpy")),
    "mix": Row(f"{BASE} rig stage", words("numpy")),
    "maps": Row(f"{BASE} rig wire", words("pydantic tomllib")),
    "console": Row(PURE_PARTS),
    "controllers": Row(PURE_PARTS),
    "house": Row(f"{PURE_PARTS} console controllers"),
    "doors": Row(f"{BASE} rig links", words("ipaddress")),
    "checking": Row(f"{INSIDE} doors links", words("fnmatch")),
    "checking/__init__": Row(f"{INSIDE} links loading", words("pathlib"), pure=False),
    "plan": Row(f"{BASE} rig stage", words("numpy")),
    "plan/__init__": Row(f"{BASE} rig stage", words("argparse json pathlib sys"), pure=False),
    "plan/page": Row(f"{BASE} rig stage", words("jinja2 markupsafe"), pure=False),
    "plan/drawing": Row(f"{BASE} rig stage", words("html io matplotlib warnings"), pure=False),
    "links": Row(f"{BASE} wire", words(f"{LOOP} {SYSTEM}"), pure=False),
    # A process of its own, so it has a clock of its own: no loop runs in it.
    "links/midi_helper": Row(f"{BASE} wire", words(f"{LOOP} {SYSTEM} time"), pure=False),
    # `hashlib` marks the layout, `zlib` checks copies, `fcntl` keeps a second bridge away.
    "journal": Row(
        f"{BASE} rig maps mix console",
        words(f"{LOOP} array fcntl hashlib json mmap os pathlib sqlite3 stat threading time zlib"),
        pure=False,
    ),
    # The house and its hands as types only. `secrets` makes tokens and codes, `hashlib` and `hmac`
    # keep and compare them, `ssl` is for TLS, `socket` for the size of a phone's send buffer,
    # `ipaddress` tells a name from a number in the Host header, `time` is the calendar on which
    # tokens expire, `segno` draws QR codes.
    "pages": Row(
        f"{BASE} rig links mix controllers house daemon presets soundcheck learning guard",
        words(
            f"{LOOP} aiohttp json pathlib hashlib hmac ipaddress os secrets segno socket ssl "
            "tempfile time urllib getpass sys datetime unicodedata"
        ),
        pure=False,
    ),
    # `ifaddr` tells which networks this machine is on now, `secrets` makes a host name of its own.
    "oscquery": Row(
        f"{INSIDE} links",
        words(f"{LOOP} aiohttp ifaddr ipaddress json secrets socket zeroconf"),
        pure=False,
    ),
    "simulator": Row(
        f"{BASE} rig wire maps stage",
        words(f"{LOOP} heapq json numpy pathlib random selectors"),
        pure=False,
    ),
    "simulator/stamped": Row("", words("asyncio contextlib socket struct sys time"), pure=False),
    "presets": Row(f"{BASE} rig mix", words("datetime pydantic")),
    # A file is replaced in one piece by the one function that knows how.
    "presets/files": Row(f"{BASE} rig soundcheck", words("os pathlib"), pure=False),
    "presets/command": Row(f"{BASE} rig", words("json pathlib"), pure=False),
    "presets/running": Row(INSIDE, words("asyncio datetime"), pure=False),
    "presets/serving": Row(f"{BASE} rig wire", words("asyncio"), pure=False),
    "roads": Row(f"{BASE} rig doors links", pure=False),
    "watching": Row(f"{INSIDE} links", words(f"{LOOP} json"), pure=False),
    "daemon": Row(ALL_PARTS, STDLIB | words("uvloop"), pure=False),
    "loading": Row(f"{PURE_PARTS} soundcheck", words("pathlib"), pure=False),
    "telling": Row(INSIDE, words("logging"), pure=False),
    "services": Row(ALL_PARTS, STDLIB, pure=False),
    "guard": Row(INSIDE),
    **dict.fromkeys(
        ("guard/command", "guard/lock", "guard/notify", "guard/serving", "guard/standing"),
        Row(INSIDE, STDLIB | words("aiohttp"), pure=False),
    ),
    "demo": Row(ALL_PARTS, STDLIB, pure=False),
    "explain": Row("errors", words("tomllib")),
    "explain/hints": Row("errors", words("pathlib"), pure=False),
    "explain/command": Row("errors", words("json sys textwrap"), pure=False),
    "simulate": Row(ALL_PARTS, STDLIB, pure=False),
    "view": Row("watching", words("asyncio rich"), pure=False),
    "learning": Row(INSIDE, words("tomlkit tomllib statistics"), pure=True),
    **dict.fromkeys(
        ("learning/command", "learning/live", "learning/map_file", "learning/session"),
        Row(f"{INSIDE} links roads soundcheck", STDLIB, pure=False),
    ),
    "soundcheck": Row(
        f"{INSIDE} links roads loading daemon journal guard", STDLIB | words("pydantic"), pure=False
    ),
    "cli": Row(ALL_PARTS, STDLIB | words("pydantic rich"), pure=False),
}
APART = (("simulator", "mix"),)
"""The witness may not share the rules that it testifies about, not even through a third file."""


def modules(root: Path) -> dict[str, Path]:
    """All files of the package: ``bridge.rig.layout`` -> its path."""
    files = sorted((root / "bridge").rglob("*.py"))
    return {".".join(f.relative_to(root).with_suffix("").parts): f for f in files}


def row_name(module: str) -> str | None:
    """The narrowest row that a module stands in."""
    parts = module.split(".")[1:]
    names = ["/".join(parts[:size]) for size in range(len(parts), 0, -1)]
    return next((name for name in names if name in ROWS), None)


def imported(tree: ast.AST, known: dict[str, Path]) -> Iterator[tuple[str, int]]:
    """Dotted names that a file imports, with the line; relative ones start with a dot."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((alias.name, node.lineno) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = "." * node.level + (node.module or "")
            deeper = [f"{base}.{alias.name}" for alias in node.names]
            inner = [name for name in deeper if name in known or f"{name}.__init__" in known]
            yield from ((name, node.lineno) for name in inner or [base])


def allowed(name: str, row_of: str) -> bool:
    """Whether a file of this row may import that name."""
    row, top = ROWS[row_of], name.split(".")[0]
    if top != "bridge":
        return top in PLAIN | row.besides
    part = name.split(".")[1] if "." in name else "__init__"
    return part in words(row.bridge) | {row_of.split("/")[0], "__init__"}


def purity_faults(tree: ast.Module, row_of: str, names: dict[str, int]) -> Iterator[str]:
    """What a file does against the promise in its first line; a pure row's files must be pure."""
    first = (ast.get_docstring(tree) or "").split("\n")[0]
    if not first.endswith(("Pure.", "I/O.")) or (ROWS[row_of].pure and not first.endswith("Pure.")):
        yield f"1: first line must end in Pure.{'' if ROWS[row_of].pure else ' or I/O.'}"
    if not first.endswith("Pure."):
        return
    for name, line in names.items():
        top = name.split(".")[0]
        if top in TOUCHY and (row_of, top) not in SEEDED:
            yield f"{line}: is pure and may not import {name}"
    for node in ast.walk(tree):
        called = node.func if isinstance(node, ast.Call) else None
        if isinstance(called, ast.Name) and called.id in TOUCHY_CALLS:
            yield f"{called.lineno}: is pure and may not call {called.id}()"


def module_faults(module: str, path: Path, known: dict[str, Path]) -> Iterator[str]:
    """Everything that one file of the package does against its row."""
    row_of = row_name(module)
    if row_of is None:
        yield f"{module}: has no row in the import table"
        return
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for name, line in imported(tree, known):
        if name.startswith("."):
            yield f"{module}:{line}: relative import of {name}"
        elif not allowed(name, row_of):
            yield f"{module}:{line}: {row_of} may not import {name}"
    for fault in purity_faults(tree, row_of, dict(imported(tree, known))):
        yield f"{module}:{fault}"


def reached(start: str, known: dict[str, Path]) -> dict[str, str]:
    """Every module of the package that one module pulls in, and which module asked for it."""
    came_from: dict[str, str] = {}
    waiting = [start]
    while waiting:
        module = waiting.pop()
        tree = ast.parse(known[module].read_text(encoding="utf-8"))
        for name, _ in imported(tree, known):
            found = name if name in known else f"{name}.__init__"
            if found in known and found not in came_from:
                came_from[found] = module
                waiting.append(found)
    return came_from


def apart_faults(known: dict[str, Path]) -> Iterator[str]:
    """Modules that reach what they must stay apart from, directly or through others."""
    for part, foreign in APART:
        for module in (m for m in known if m.split(".")[1] == part):
            for found, asker in reached(module, known).items():
                if found.split(".")[1] == foreign:
                    yield f"{module}: reaches {found} through {asker}"


def package_faults(root: Path) -> list[str]:
    """Everything that the package under a root does against the table."""
    known = modules(root)
    single = [fault for name, path in known.items() for fault in module_faults(name, path, known)]
    return single + list(apart_faults(known))


def body_lines(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of a function's body, without its docstring."""
    body = node.body[1:] if ast.get_docstring(node, clean=False) is not None else node.body
    return (node.end_lineno or 0) - body[0].lineno + 1 if body else 0


def size_faults(path: Path, name: str) -> Iterator[str]:
    """Where a file or one of its functions is too long."""
    text = path.read_text(encoding="utf-8")
    if (count := len(text.splitlines())) > LINES_MAX:
        yield f"{name}: {count} lines, at most {LINES_MAX}"
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            length = body_lines(node)
            if length > BODY_LINES_MAX:
                yield f"{name}:{node.lineno}: {node.name} has {length} lines, at most 40"


def test_every_file_imports_only_what_its_row_allows() -> None:
    assert package_faults(ROOT) == []


def test_no_module_and_no_function_is_too_long() -> None:
    files = [f for part in ("bridge", "tools", "tests") for f in (ROOT / part).rglob("*.py")]
    found = [fault for f in sorted(files) for fault in size_faults(f, str(f.relative_to(ROOT)))]
    assert files and found == []


def test_every_row_stands_for_something_that_exists_or_is_planned() -> None:
    parts = {part for row in ROWS.values() for part in words(row.bridge)}
    assert parts <= {name.split("/")[0] for name in ROWS}


PLANTED: tuple[tuple[str, str, str], ...] = (
    ("rig/note.py", "import asyncio", "rig may not import asyncio"),
    ("mix/note.py", "import time", "mix may not import time"),
    ("wire/note.py", "from random import random", "wire may not import random"),
    ("maps/note.py", "def f() -> None:\n    import os", "maps may not import os"),
    ("stage/note.py", "from bridge.mix.slew import move", "stage may not import bridge.mix.slew"),
    ("maps/note.py", "from bridge import mix", "maps may not import bridge.mix"),
    ("units.py", "print(1)", "is pure and may not call print()"),
    ("rig/note.py", "open('x')", "is pure and may not call open()"),
    ("mix/note.py", "from .slew import move", "relative import of .slew"),
    ("drawer/note.py", "import math", "bridge.drawer.note: has no row"),
    ("drawer.py", "import math", "bridge.drawer: has no row"),
    ("links/note.py", "import socket", "is pure and may not import socket"),
    ("simulator/note.py", "from bridge.mix import slew", "simulator may not import bridge.mix"),
)


def plant(root: Path, file: str, line: str, first: str = "Planted. Pure.") -> None:
    path = root / "bridge" / file
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(f'"""{first}"""\n{line}\n', encoding="utf-8")


@pytest.mark.parametrize(("file", "line", "expected"), PLANTED)
def test_a_planted_import_or_call_is_found_with_file_and_name(
    tmp_path: Path, file: str, line: str, expected: str
) -> None:
    for clean in ("__init__.py", "mix/__init__.py", "mix/slew.py"):
        plant(tmp_path, clean, "import math")
    assert package_faults(tmp_path) == []
    plant(tmp_path, file, line)
    found = package_faults(tmp_path)
    assert any(expected in fault for fault in found), found
    module = "bridge." + file.removesuffix(".py").replace("/", ".")
    assert all(fault.startswith(module) for fault in found), found


def test_the_witness_is_caught_when_it_reaches_the_rules_through_a_third_file(
    tmp_path: Path,
) -> None:
    plant(tmp_path, "mix/slew.py", "import math")
    plant(tmp_path, "stage/chain.py", "import bridge.mix.slew")
    plant(tmp_path, "simulator/judge.py", "from bridge.stage import chain")
    found = package_faults(tmp_path)
    assert "bridge.simulator.judge: reaches bridge.mix.slew through bridge.stage.chain" in found


def test_a_first_line_that_does_not_say_pure_or_io_is_found(tmp_path: Path) -> None:
    plant(tmp_path, "mix/slew.py", "import math", first="How fast a level may rise. I/O.")
    plant(tmp_path, "links/udp.py", "import socket", first="Sockets.")
    assert package_faults(tmp_path) == [
        "bridge.links.udp:1: first line must end in Pure. or I/O.",
        "bridge.mix.slew:1: first line must end in Pure.",
    ]


def test_a_long_module_and_a_long_function_are_found(tmp_path: Path) -> None:
    long = tmp_path / "long.py"
    body = "\n".join(["    x = 1"] * 41)
    long.write_text(f'def f():\n    """Short.\n\n\n    """\n{body}\n' + "\n" * 370)
    assert list(size_faults(long, "long.py")) == [
        "long.py: 416 lines, at most 400",
        "long.py:1: f has 41 lines, at most 40",
    ]
