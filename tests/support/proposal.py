"""OSCQuery's rules about a tree of nodes, and its own example of one.

Source: github.com/Vidvox/OSCQueryProposal, README, "Core Functionality", "Optional Attributes",
"Other notes on attributes" and "Examples" (the JSON of http://ip:port/ and of HOST_INFO).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

EXAMPLE: dict[str, Any] = {
    "DESCRIPTION": "root node",
    "FULL_PATH": "/",
    "ACCESS": 0,
    "CONTENTS": {
        "foo": {
            "DESCRIPTION": "demonstrates a read-only OSC node- single float value ranged 0-100",
            "FULL_PATH": "/foo",
            "ACCESS": 1,
            "TYPE": "f",
            "VALUE": [0.5],
            "RANGE": [{"MIN": 0.0, "MAX": 100.0}],
        },
        "bar": {
            "DESCRIPTION": "demonstrates a read/write OSC node- two ints with different ranges",
            "FULL_PATH": "/bar",
            "ACCESS": 3,
            "TYPE": "ii",
            "VALUE": [4, 51],
            "RANGE": [{"MIN": 0, "MAX": 50}, {"MIN": 51, "MAX": 100}],
        },
        "baz": {
            "DESCRIPTION": "simple container node, with one method- qux",
            "FULL_PATH": "/baz",
            "ACCESS": 0,
            "CONTENTS": {
                "qux": {
                    "DESCRIPTION": "read/write OSC node- accepts one of several string-type inputs",
                    "FULL_PATH": "/baz/qux",
                    "ACCESS": 3,
                    "TYPE": "s",
                    "VALUE": ["half-full"],
                    "RANGE": [{"VALS": ["empty", "half-full", "full"]}],
                }
            },
        },
    },
}

HOST: dict[str, Any] = {
    "NAME": "My Special Server",
    "EXTENSIONS": dict.fromkeys(
        ("ACCESS", "VALUE", "RANGE", "DESCRIPTION", "TAGS", "EXTENDED_TYPE", "UNIT", "CRITICAL",
         "CLIPMODE", "LISTEN", "PATH_CHANGED"), True),
}  # fmt: skip

_SUITS: dict[str, Any] = {
    **dict.fromkeys("ifhdt", (int, float)),
    **dict.fromkeys("sSc", str),
    **dict.fromkeys("TF", bool),
}
"""JSON equivalents of the type tags that our maps have."""

_RANGE_KEYS = frozenset(("MIN", "MAX", "VALS"))
_ARRAYS = ("VALUE", "RANGE", "UNIT")


def faults(node: dict[str, Any], path: str = "/") -> list[str]:
    """What a node and everything below it do against the proposal."""
    return [f"{path}: {fault}" for fault in _own(node, path)] + [
        fault
        for name, child in node.get("CONTENTS", {}).items()
        for fault in faults(child, f"{path.rstrip('/')}/{name}")
    ]


def _own(node: dict[str, Any], path: str) -> Iterator[str]:
    if node.get("FULL_PATH") != path:
        yield f"FULL_PATH is {node.get('FULL_PATH')}"
    if node.get("ACCESS") not in (0, 1, 2, 3):
        yield f"ACCESS is {node.get('ACCESS')}"
    if "TYPE" in node and not isinstance(node["TYPE"], str):
        yield "TYPE is no text"
    elif "TYPE" not in node and ("CONTENTS" not in node or node["ACCESS"]):
        yield "no TYPE"
    else:
        yield from _arrays(node)
    if "VALUE" in node and not node["ACCESS"] & 1:
        yield "VALUE of what cannot be read"
    for over in node.get("OVERLOADS", ()):
        if "CONTENTS" in over or over["TYPE"] == node["TYPE"]:
            yield "OVERLOADS repeats the node"
        yield from _own(over, path)


def _arrays(node: dict[str, Any]) -> Iterator[str]:
    tags = node.get("TYPE", "")
    for key in _ARRAYS:
        if key in node and (not isinstance(node[key], list) or len(node[key]) != len(tags)):
            yield f"{key} is no array with an item a tag"
            return
    for tag, value in zip(tags, node.get("VALUE", ()), strict=False):
        if not isinstance(value, _SUITS[tag]) or (tag not in "TF" and isinstance(value, bool)):
            yield f"VALUE {value!r} for {tag}"
    for item in node.get("RANGE", ()):
        if item is not None and (not item or not item.keys() <= _RANGE_KEYS):
            yield f"RANGE item {item}"
