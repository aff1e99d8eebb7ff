"""The address space as OSCQuery tells it: nodes, attributes, and the JSON of a branch. Pure.

The text of every node is made once, all but the values, and lies in one list in the order of the
tree: a branch is a stretch of that list, so a large one is written piece by piece, and whoever
writes it can let others have the loop in between.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from bridge.oscquery.methods import READ, Method, Now, shown

CHARACTERS = json.JSONEncoder(allow_nan=False, separators=(",", ":"))
"""JSON has no infinities and no NaN: both would be a defect here, and raise."""

OPTIONAL = {
    "ACCESS": True,
    "VALUE": True,
    "RANGE": True,
    "DESCRIPTION": True,
    "UNIT": True,
    "OVERLOADS": True,
    "LISTEN": True,
    "TAGS": False,
    "EXTENDED_TYPE": False,
    "CRITICAL": False,
    "CLIPMODE": False,
    "HTML": False,
    "PATH_CHANGED": False,
    "PATH_ADDED": False,
    "PATH_REMOVED": False,
    "PATH_RENAMED": False,
}
"""``EXTENSIONS``: what is there of the optional attributes (OSCQuery, "Optional Attributes"). No
``CLIPMODE``: a number between the ceiling and the top of the travel is limited, one beyond the
travel is not understood, and there is no word for both. The tree stays as it is while the bridge
runs, so no ``PATH_`` command is ever sent."""

ATTRIBUTES = frozenset(
    ("FULL_PATH", "CONTENTS", "TYPE", "ACCESS", "VALUE", "RANGE", "DESCRIPTION", "UNIT",
     "OVERLOADS")
)  # fmt: skip
"""What a node may be asked for by name."""

DEPTH_MAX = 64
"""Most parts of an address: clients walk the tree by recursion, and so does who writes it."""

Read = Callable[[Method], Now | None]
"""The value of a method now."""

Piece = str | Method
"""Text, or a method whose value stands here."""


class Node(NamedTuple):
    """One node of the tree.

    Attributes:
        static: Its attributes, all but ``VALUE`` and ``CONTENTS``.
        method: Its method; None for a container.
        branch: Where its text begins and ends in ``Tree.pieces``.
        contents: Where the text of its ``CONTENTS`` begins and ends; None without children.
    """

    static: Mapping[str, Any]
    method: Method | None
    branch: tuple[int, int]
    contents: tuple[int, int] | None


def _parts(address: str) -> list[str]:
    """The parts of an address; none for the root."""
    parts = address[1:].split("/") if address != "/" else []
    if len(parts) > DEPTH_MAX:
        raise ValueError(f"{address[:60]} has {len(parts)} parts, at most {DEPTH_MAX} may be told")
    return parts


class _Branch:
    """A node while the tree is built."""

    def __init__(self) -> None:
        self.methods: list[Method] = []
        self.children: dict[str, _Branch] = {}


class Tree:
    """An address space.

    Args:
        methods: Every method; of several at one address the first one that can be read is the
            main one, the others are its ``OVERLOADS``.
        about: ``DESCRIPTION`` of the root.

    Raises:
        ValueError: an address has more than ``DEPTH_MAX`` parts.

    Attributes:
        nodes: Every node by its path.
        pieces: The text of the whole tree.
    """

    def __init__(self, methods: Sequence[Method], about: str) -> None:
        self.nodes: dict[str, Node] = {}
        self.pieces: list[Piece] = []
        root = _Branch()
        for method in methods:
            branch = root
            for part in _parts(method.address):
                branch = branch.children.setdefault(part, _Branch())
            branch.methods.append(method)
        self._write("", root, about)

    def _write(self, before: str, branch: _Branch, about: str = "") -> None:
        """Write a node and what is below it, which is at most ``DEPTH_MAX`` deep."""
        path = before or "/"
        branch.methods.sort(key=lambda method: not method.access & READ)
        main = branch.methods[0] if branch.methods else None
        static: dict[str, Any] = {"FULL_PATH": path, "ACCESS": 0} if main is None else main.static
        if about:
            static = {**static, "DESCRIPTION": about}
        start = len(self.pieces)
        self.pieces.append(_opened(static))
        if main is not None:
            self.pieces.append(main)
        over = [_overload(one) for one in branch.methods[1:]]
        over += [one.false for one in branch.methods if one.false is not None]
        if over:
            static = {**static, "OVERLOADS": over}
            self.pieces.append(f',"OVERLOADS":{CHARACTERS.encode(over)}')
        contents = self._contents(before, branch) if branch.children or main is None else None
        self.pieces.append("}")
        self.nodes[path] = Node(static, main, (start, len(self.pieces)), contents)

    def _contents(self, before: str, branch: _Branch) -> tuple[int, int]:
        self.pieces.append(',"CONTENTS":')
        start = len(self.pieces)
        self.pieces.append("{")
        for number, (part, child) in enumerate(branch.children.items()):
            comma = "," if number else ""
            self.pieces.append(f"{comma}{CHARACTERS.encode(part)}:")
            self._write(f"{before}/{part}", child)
        self.pieces.append("}")
        return start, len(self.pieces)

    def text(self, stretch: tuple[int, int], read: Read) -> Iterator[str]:
        """The JSON of a stretch of the tree, piece by piece, with the values of each moment.

        Args:
            stretch: A node's ``branch`` or ``contents``.
            read: The value of a method.
        """
        for number in range(*stretch):
            piece = self.pieces[number]
            yield piece if isinstance(piece, str) else _valued(read(piece))


def _opened(static: Mapping[str, Any]) -> str:
    """A node's text up to where its value stands."""
    return CHARACTERS.encode(static)[:-1]


def _valued(now: Now | None) -> str:
    return "" if now is None else f',"VALUE":{CHARACTERS.encode(shown(now))}'


def _overload(method: Method) -> dict[str, Any]:
    """A further method at an address. Its value is the main one's, so it is not told twice."""
    return {**method.static, "ACCESS": method.access & ~READ}
