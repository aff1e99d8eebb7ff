"""Nothing grows with what comes in: every container of a running bridge, walked and counted."""

from __future__ import annotations

import ast
import asyncio
import math
import random
import types
from collections import deque
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from support.whole import KINDS, Run

from bridge import limits
from bridge.links.base import Batch
from bridge.links.udp import UdpLink
from bridge.maps.osc_book import PATTERNS_KEPT
from bridge.roads import Door, Roads
from bridge.telling import VERDICTS_MAX
from bridge.wire import osc

BRIDGE = Path(__file__).parents[3] / "bridge"
CONTAINERS = (dict, list, set, deque)
SKIPPED = (types.ModuleType, type, types.FunctionType, types.CodeType, asyncio.AbstractEventLoop)


def _inside(thing: Any) -> Iterator[tuple[str, Any]]:
    """What hangs on an object, with a name for each."""
    if isinstance(thing, dict):
        yield from ((f"[{key!r:.30}]", value) for key, value in thing.items())
    elif isinstance(thing, list | tuple | set | frozenset | deque):
        yield from ((f"[{n}]", value) for n, value in enumerate(thing))
    elif isinstance(thing, types.MethodType):
        yield ".__self__", thing.__self__
    elif type(thing).__module__.startswith("bridge"):
        names = {name for kind in type(thing).__mro__ for name in getattr(kind, "__slots__", ())}
        names |= set(getattr(thing, "__dict__", {}))
        yield from (
            (f".{name}", getattr(thing, name)) for name in sorted(names) if hasattr(thing, name)
        )


def sizes(root: Any) -> dict[str, int]:
    """Path to length of every container that can be reached, each once."""
    found: dict[str, int] = {}
    seen: set[int] = set()
    waiting: list[tuple[str, Any]] = [("", root)]
    while waiting:
        path, thing = waiting.pop()
        if id(thing) in seen or isinstance(thing, SKIPPED):
            continue
        seen.add(id(thing))
        if isinstance(thing, CONTAINERS):
            found[path] = len(thing)
        waiting += [(path + name, inner) for name, inner in _inside(thing)]
    return found


def total(root: Any) -> int:
    return sum(sizes(root).values())


def growth(before: dict[str, int], after: dict[str, int]) -> dict[str, int]:
    """Containers that became longer, or are new."""
    return {path: size - before.get(path, 0) for path, size in after.items()
            if size > before.get(path, 0)}  # fmt: skip


CAPS = {"_found": PATTERNS_KEPT, "verdicts": limits.VERDICTS_KEPT, "_logged": VERDICTS_MAX + 1}
"""Containers that fill up to a bound of their own."""

ADDRESSES = ("/my/{}/level", "/my/{}/on", "/my/*/level", "/my/wheel", "/my/{}/pan", "/rubbish/{}",
             "/mix/{}/open", "/mix/{}/mute", "/quiet", "/hold/{}", "/my/{}/le*el", "/my/{}/l*",
             "/m*/{}/level", "/my/{}/[lo]*", "/m?/{}/on")  # fmt: skip


def message(hands: random.Random) -> bytes:
    """A message, or what looks like one, or a bundle dated ahead."""
    kind = hands.random()
    if kind < 0.1:
        return hands.randbytes(hands.randint(0, 60))
    if kind > 0.85:
        data = bytearray(osc.encode("/my/1/level", "f", (hands.random(),)))
        data[hands.randrange(len(data))] = hands.randrange(256)
        return bytes(data)
    address = hands.choice(ADDRESSES).format(hands.randint(0, 10**6 if kind < 0.3 else 3))
    data = osc.encode(address, "f", (hands.uniform(-2, 2),))
    if kind > 0.8:
        tag = ((2_208_988_800 + hands.randint(0, 8)) << 32).to_bytes(8, "big")
        return b"#bundle\0" + tag + len(data).to_bytes(4, "big") + data
    return data


class Hammered(Run):
    """A bridge that hears much of everything, twice."""

    async def _play(self, loop: asyncio.AbstractEventLoop) -> None:
        await asyncio.sleep(8.0)
        await self._hammer(1600)
        before = sizes(self.daemon)
        await self._hammer(1600)
        after = sizes(self.daemon)
        self.sizes, self.grown = after, growth(before, after)

    async def _arrive(self, loop: asyncio.AbstractEventLoop) -> None:
        """Nothing is judged here."""

    async def _hammer(self, turns: int) -> None:
        for turn in range(turns):
            self.heard(turn % 3, [(message(self.random), ("192.0.2.1", turn))])
            if turn % 5 == 0:
                self.daemon._console_heard([(message(self.random), ("192.0.2.10", turn))])
            await asyncio.sleep(0.01)
        await asyncio.sleep(20.0)


@pytest.mark.parametrize("kind", ["position", "blind", "nrpn"])
def test_a_bridge_holds_no_more_after_a_second_hail_of_input(kind: str) -> None:
    run = Hammered(5, KINDS[kind], loss=0.0, faults=False)
    run.judged()
    for path, size in run.sizes.items():
        assert size <= CAPS.get(path.rpartition(".")[2], math.inf), path
    capped = {path for path in run.grown if path.rpartition(".")[2] in CAPS}
    grown = {path: more for path, more in run.grown.items() if path not in capped and more > 5}
    assert grown == {}


def test_strangers_leave_a_bounded_trace(tmp_path: Path) -> None:
    link = UdpLink("udp:9311", lambda batch: None, listen=None, peer=None)  # type: ignore[arg-type]
    door = Door(link, {("192.0.2.1", None): 0})
    roads: Any = Roads.__new__(Roads)
    roads._heard = lambda number, batch: None
    before = total([link, door])
    for turn in range(3000):
        stranger: Batch = [(b"/x\0\0", (f"198.51.100.{turn % 250}", turn))]
        roads._sort(door, stranger)
    assert link.refused == 3000 and total([link, door]) - before <= 40


def test_the_walk_finds_what_grows() -> None:
    class Leaks:
        def __init__(self) -> None:
            self.inner: dict[str, list[int]] = {"kept": []}

    Leaks.__module__ = "bridge.planted"
    leaks = Leaks()
    before = sizes(leaks)
    leaks.inner["kept"] += range(9)
    assert growth(before, sizes(leaks)) == {".inner['kept']": 9}


# -- queues without a bound in the code ------------------------------------------------------------

ALLOWED = {
    "mix/stage.py": "falls under way: emptied as time passes, as many as words leave in a moment",
    "simulator/server.py": "the witness's own",
}
"""Deques without ``maxlen``, each with what bounds it instead."""

QUEUES = {"Queue", "LifoQueue", "PriorityQueue", "SimpleQueue"}


def looks_at_a_bound(tree: ast.AST) -> bool:
    """Whether a file compares some length with a name in ``_MAX``."""
    return any(
        isinstance(node, ast.Compare)
        and isinstance(node.left, ast.Call)
        and getattr(node.left.func, "id", "") == "len"
        and any(str(getattr(right, "id", "")).endswith("_MAX") for right in node.comparators)
        for node in ast.walk(tree)
    )


def unbounded(tree: ast.AST) -> Iterator[int]:
    """Lines of deques and queues that are made without a bound."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        called = node.func
        name = called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", "")
        keys = {keyword.arg for keyword in node.keywords}
        if name == "deque" and "maxlen" not in keys and len(node.args) < 2:
            yield node.lineno
        if name in QUEUES and "maxsize" not in keys and not node.args:
            yield node.lineno


def test_every_queue_in_the_code_has_a_bound_or_a_reason() -> None:
    found = {}
    for path in sorted(BRIDGE.rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        lines, name = list(unbounded(tree)), path.relative_to(BRIDGE).as_posix()
        if lines and name not in ALLOWED and not looks_at_a_bound(tree):
            found[name] = lines
    assert found == {}, "give it a bound (maxlen, maxsize, a look at len), or a row in ALLOWED"


def test_a_planted_queue_without_a_bound_is_found() -> None:
    tree = ast.parse("a = deque()\nb = asyncio.Queue()\nc = deque([], 3)\nd = Queue(maxsize=3)\n")
    assert list(unbounded(tree)) == [1, 2] and not looks_at_a_bound(tree)
    assert looks_at_a_bound(ast.parse("if len(waiting) >= WAITING_MAX: drop()"))
