"""README's table of what listens: every claim has its numbers from the code, and its tests. I/O.

A red test here names the claim. Repair: say in README what the code does, or have the code do what
README says; then write the clause into ``tests/support/claims.py`` with a test that keeps it.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from itertools import zip_longest
from pathlib import Path

import pytest
from support.checked import RIG
from support.claims import CLAIMS, Claim

from bridge.doors import doors
from bridge.rig.rig import parse_rig

ROOT = Path(__file__).resolve().parents[2]
HEADING = "## What listens, and who may"
NUMBER = re.compile(r"\d[\d.:]*\d|\d")

USERS = {
    "console": "console's answers", "watchers": "live view", "pages": "pages: HTTP, WebSocket",
    "discovery": "discovery: OSCQuery", "announcements": "discovery: DNS-SD", "health": "health",
    "ines-tablet": "controller, OSC on UDP", "ruth-page": "controller, OSC on TCP",
}  # fmt: skip
"""The row of everybody who is heard at a door of the rig below."""

OPENERS = {
    "demo.py Demo.__init__": None,  # it only sends
    "guard/notify.py Notifier._tell": None,  # it only sends
    "guard/serving.py serve": "health",
    "links/midi_helper.py": "MIDI port",
    "links/sockets.py bound_socket": "controller, OSC on UDP",
    "links/tcp.py TcpServer._start": "controller, OSC on TCP",
    "links/udp.py UdpLink._read_from": "console's answers",
    "oscquery/announce.py Announcer._announce": "discovery: DNS-SD",
    "oscquery/server.py Discovery._listen": "discovery: OSCQuery",
    "pages/server.py Pages._listen": "pages: HTTP, WebSocket",
    "simulator/server.py Console.listen_tcp": "console stand-in",
    "simulator/server.py Console.listen_udp": "console stand-in",
    "simulator/stamped.py StampedUdp.__init__": "console stand-in",
    "watching.py serve": "live view",
}
"""Whatever in the code may open a port, and the row that tells of it."""

OPENING = frozenset({
    "create_server", "start_server", "create_datagram_endpoint", "create_unix_server",
    "start_unix_server", "socketpair", "TCPSite", "SockSite", "UnixSite", "HTTPServer",
    "TCPServer", "UDPServer", "AsyncZeroconf", "Zeroconf", "open_virtual_port",
})  # fmt: skip
"""What opens a port, by the last part of its name; a bare socket does so too."""


# -- the table ----------------------------------------------------------------------------------


def rows_of(text: str) -> dict[str, list[str]]:
    """The table's rows: what listens, and all clauses of the other cells."""
    section = text.split(f"{HEADING}\n")[1].split("\n## ")[0]
    lines = [line for line in section.splitlines() if line.startswith("|")][2:]
    rows = [[cell.strip() for cell in line.strip("|").split(" | ")] for line in lines]
    return {what: [part for cell in cells for part in cell.split("; ")] for what, *cells in rows}


def faults_in(text: str, claims: dict[str, tuple[Claim, ...]], tests: list[str]) -> Iterator[str]:
    """Where the table says what nothing keeps, or what is kept is not said."""
    rows = rows_of(text)
    for what in rows.keys() | claims.keys():
        for said, kept in zip_longest(rows.get(what, []), claims.get(what, ())):
            if kept is None or said != kept.text:
                yield f"{what}: README says {said!r}, kept is {kept.text if kept else None!r}"
                continue
            if NUMBER.findall(said) != list(map(str, kept.numbers)):
                yield f"{what}: {said!r}, and the code has {kept.numbers}"
            if not kept.tests:
                yield f"{what}: {said!r} has no test"
            for name in kept.tests:
                if tests.count(name) != 1:
                    yield f"{what}: {said!r}: {tests.count(name)} tests are called {name}"


@pytest.fixture(scope="module")
def readme() -> str:
    return (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def tests() -> list[str]:
    """The names of all tests, one for each."""
    found = []
    for path in sorted((ROOT / "tests").rglob("test_*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        kinds = ast.FunctionDef | ast.AsyncFunctionDef
        found += [node.name for node in tree.body if isinstance(node, kinds)]
    return found


def test_every_claim_of_the_table_is_kept(readme: str, tests: list[str]) -> None:
    faults = list(faults_in(readme, CLAIMS, tests))
    assert not faults, "\n".join([__doc__ or "", *faults])


def test_every_row_has_all_its_cells(readme: str) -> None:
    section = readme.split(f"{HEADING}\n")[1].split("\n## ")[0]
    lines = [line for line in section.splitlines() if line.startswith("|")]
    assert len(lines) > 10 and {line.count(" | ") for line in lines} == {4}
    assert all(len(CLAIMS[what]) >= 4 for what in CLAIMS)


def test_the_table_stands_right_before_what_stays_with_people(readme: str) -> None:
    headings = re.findall(r"^## .*$", readme, re.MULTILINE)
    follows = "## What it does not know, and what stays with you"
    assert headings[headings.index(HEADING) + 1] == follows


@pytest.mark.parametrize(
    ("old", "new", "found"),
    [
        ("8 watchers", "9 watchers", "live view: README says '9 watchers'"),
        ("| GET of two pages; ", "| ", "health: README says '8 connections'"),
        ("| health | with", "| wealth | with", "wealth: README says 'with `[health] listen`'"),
        ("read the mix; ", "read the mix; and write it; ", "live view: README says 'and write it'"),
        ("\n| console stand-in", "\n| gate | a | b | c | d |\n| console stand-in", "gate: README"),
    ],
)
def test_a_claim_that_nothing_keeps_is_found(
    readme: str, tests: list[str], old: str, new: str, found: str
) -> None:
    assert readme.count(old) == 1
    assert any(
        fault.startswith(found) for fault in faults_in(readme.replace(old, new), CLAIMS, tests)
    )


@pytest.mark.parametrize(
    ("kept", "found"),
    [
        (Claim("8 watchers", ("test_none",), (8,)), "0 tests are called test_none"),
        (Claim("8 watchers", (), (8,)), "'8 watchers' has no test"),
        (Claim("8 watchers", ("test_every_claim_of_the_table_is_kept",), (9,)), "the code has (9,"),
    ],
)
def test_a_claim_whose_test_or_number_is_gone_is_found(
    readme: str, tests: list[str], kept: Claim, found: str
) -> None:
    view = tuple(kept if one.text == kept.text else one for one in CLAIMS["live view"])
    assert any(found in fault for fault in faults_in(readme, {**CLAIMS, "live view": view}, tests))


# -- nothing else -------------------------------------------------------------------------------


def test_every_door_of_a_rig_has_its_row(readme: str) -> None:
    more = '[pages]\n[discovery]\ncontroller = "ines-tablet"\n[health]\nlisten = "127.0.0.1:9780"\n'
    rig = parse_rig(RIG.replace("udp://:9370", "tcp://:9370") + more, "house.toml")
    users = {user for door in doors(rig) for user in door.users}
    assert users == USERS.keys()
    assert set(USERS.values()) <= rows_of(readme).keys()


def openers(path: Path) -> Iterator[str]:
    """The functions of a file that may open a port."""

    def walk(node: ast.AST, inside: tuple[str, ...]) -> Iterator[str]:
        for child in ast.iter_child_nodes(node):
            named = isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef)
            yield from walk(child, (*inside, child.name) if named else inside)
            if isinstance(child, ast.Call):
                called = ast.unparse(child.func)
                if called.rpartition(".")[2] in OPENING or called == "socket.socket":
                    yield ".".join(inside)

    return walk(ast.parse(path.read_text(encoding="utf-8")), ())


def found_in(package: Path) -> set[str]:
    found = set()
    for path in sorted(package.rglob("*.py")):
        name = path.relative_to(package).as_posix()
        whole = name in OPENERS
        found |= {name if whole else f"{name} {where}" for where in openers(path)}
    return found


def test_nothing_else_in_the_code_opens_a_port(readme: str) -> None:
    assert found_in(ROOT / "bridge") == OPENERS.keys()
    assert {row for row in OPENERS.values() if row} == rows_of(readme).keys()


def test_a_planted_port_is_found(tmp_path: Path) -> None:
    text = "class A:\n    async def f(self):\n        await asyncio.start_server(g, '', 1)\n"
    (tmp_path / "note.py").write_text(text, encoding="utf-8")
    (tmp_path / "quiet.py").write_text("def f():\n    start(1)\n", encoding="utf-8")
    assert found_in(tmp_path) == {"note.py A.f"}
