"""Every text about a failure that the sources can say, read from the sources themselves. Pure.

A text is a *saying*: where it is made (module, function, line) and its template, in which every
part that is only known while running is one ``…``. The sayings are what `foldbridge explain` has
to know; ``test_explain_table.py`` compares them with its table.
"""

from __future__ import annotations

import ast
import itertools
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

OPEN = "…"
"""What is only known while running."""

READINGS_MAX = 8
"""Readings of one text whose parts are set in several branches."""

CALLS: dict[str, tuple[tuple[str, ...], str]] = {
    "Fault": (("where", "found", "expected"), "{0}: found {1}, expected {2}"),
    "Flaw": (("key", "found", "expected"), "… ….{0}: found {1}, expected {2}"),
    "Remark": (("where", "what", "remedy"), "{0}: {1}; {2}"),
    "Wrong": (("kind", "fit", "where", "text", "remedy"), "…: {3}; {4}"),
    "LinkError": (("link", "found", "remedy"), "{0}: {1}; {2}"),
    "_error": (("where", "text", "expected"), "{0}: found {1}; expected {2}"),
    "WireError": (("reason",), "{0}"),
    "BridgeError": (("text",), "{0}"),
    "RecordingError": (
        ("line", "found", "expected"),
        "recording line {0}: found {1}, expected {2}",
    ),
    "Unusable": (("why",), "…: {0}"),
    "_trouble": (("cause", "text"), "…: {1} (from now on only counted)"),
    "refuse": (("cause", "text"), "…: {1} (from now on only counted)"),
    "_drop": (("cause", "text"), "…: {1} (from now on only counted)"),
}
"""Calls that make a text: their parameters, and the text that people see."""

PAGE_ANSWERS = re.compile(r"HTTP[A-Z]\w+|Response")
LOGGED = re.compile(r"_?log\.(info|warning|error|exception|critical)")
OWN_TEXT = re.compile(r"(?!errors\.).*Error\.__init__")
"""Errors that word their text themselves."""
REFUSERS = re.compile(r"presets\..*\.refusal")
"""Functions that answer why not."""
TUPLES = ("rig",)
"""Parts of the package that yield faults as (key path, found, expected)."""

TABLES: dict[tuple[str, str], str] = {
    ("mix.gesture", "RULES"): "…: {value}",
    ("rig.faults", "_WORDS"): "…: found …, expected {value}",
    ("daemon", "_MEANT"): "console {key}{value}",
}
"""Dictionaries whose values are said."""
LISTS: dict[tuple[str, str], str] = {("simulator.findings", "PROMISES"): "… s, {value}: …"}
"""Tuples whose members are said."""


@dataclass(frozen=True, slots=True)
class Saying:
    """One text about a failure.

    Attributes:
        site: Module and function, ``links.udp.UdpLink.send``.
        line: Line in the module.
        text: Template; ``…`` is what is only known while running.
    """

    site: str
    line: int
    text: str


@dataclass
class _Scope:
    """Names that are known to hold texts: a module's, and a function's own."""

    names: dict[str, list[ast.expr]] = field(default_factory=dict)

    def learn(self, body: Iterable[ast.stmt], *, deep: bool) -> None:
        """Note what a body assigns to plain names."""
        for statement in body:
            for node in ast.walk(statement) if deep else (statement,):
                if isinstance(node, ast.Assign) and len(node.targets) == 1:
                    self._assign(node.targets[0], node.value)
                elif isinstance(node, ast.AnnAssign) and node.value is not None:
                    self._assign(node.target, node.value)
                elif isinstance(node, ast.AugAssign):
                    self._assign(node.target, ast.Constant(OPEN))

    def _assign(self, target: ast.expr, value: ast.expr) -> None:
        if isinstance(target, ast.Name):
            self.names.setdefault(target.id, []).append(value)
        elif isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple):
            for one, said in zip(target.elts, value.elts, strict=False):
                self._assign(one, said)


def readings(node: ast.expr | None, scopes: tuple[_Scope, ...], depth: int = 0) -> list[str]:
    """Every template that an expression may give."""
    if isinstance(node, ast.Constant):
        return [str(node.value)]
    if isinstance(node, ast.JoinedStr):
        parts = [
            readings(part, scopes, depth) if isinstance(part, ast.Constant) else [OPEN]
            for part in node.values
        ]
        return _joined(parts)
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        return _joined([readings(node.left, scopes, depth), readings(node.right, scopes, depth)])
    if isinstance(node, ast.IfExp):
        return [*readings(node.body, scopes, depth), *readings(node.orelse, scopes, depth)]
    if isinstance(node, ast.Name) and depth < 3:
        for scope in scopes:
            if node.id in scope.names:
                found = [readings(one, scopes, depth + 1) for one in scope.names[node.id]]
                return list(dict.fromkeys(itertools.chain(*found)))
    return [_path(node)]


def _joined(parts: list[list[str]]) -> list[str]:
    every = itertools.islice(itertools.product(*parts), READINGS_MAX)
    return ["".join(one) for one in every]


def _path(node: ast.expr | None) -> str:
    """A key path as a fault shows it, where its keys can be read; else what is not known."""
    if isinstance(node, ast.Call) and node.args and _called(node) in ("at", "place"):
        inner = node.args[-1]
        return f"{OPEN} {_path(inner)}" if isinstance(inner, ast.Tuple) else OPEN
    if isinstance(node, ast.Tuple):
        keys = [str(k.value) if isinstance(k, ast.Constant) else OPEN for k in node.elts]
        return ".".join(keys)
    return OPEN


def _called(node: ast.Call) -> str:
    return node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")


def sayings(package: Path) -> list[Saying]:
    """Every text about a failure in a package.

    Args:
        package: The folder of the package.
    """
    found: list[Saying] = []
    for path in sorted(package.rglob("*.py")):
        module = ".".join(path.relative_to(package).with_suffix("").parts)
        module = module.removesuffix(".__init__")
        if module.split(".")[0] != "explain":
            found += _of_module(module, ast.parse(path.read_text(encoding="utf-8")))
    return found


def _of_module(module: str, tree: ast.Module) -> Iterator[Saying]:
    scope = _Scope()
    scope.learn(tree.body, deep=False)
    yield from _of_tables(module, scope)
    yield from _of_body(module, tree, (scope,))


def _of_tables(module: str, scope: _Scope) -> Iterator[Saying]:
    for (of, name), shape in TABLES.items():
        for value in scope.names.get(name, []) if of == module else []:
            assert isinstance(value, ast.Dict), f"{module}.{name} is a dictionary"
            for key, said in zip(value.keys, value.values, strict=True):
                text = re.sub(r"\{\w+\}", OPEN, readings(said, (scope,))[0])
                text = shape.format(key=readings(key, (scope,))[0], value=text)
                yield Saying(f"{module}.{name}", said.lineno, text)
    for (of, name), shape in LISTS.items():
        for value in scope.names.get(name, []) if of == module else []:
            assert isinstance(value, ast.Tuple), f"{module}.{name} is a tuple"
            for said in value.elts:
                text = shape.format(value=readings(said, (scope,))[0])
                yield Saying(f"{module}.{name}", said.lineno, text)


def _of_body(site: str, node: ast.AST, scopes: tuple[_Scope, ...]) -> Iterator[Saying]:
    """The texts of a module, class or function, without those of the functions inside twice."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            inner = scopes
            if not isinstance(child, ast.ClassDef):
                own = _Scope()
                own.learn(child.body, deep=True)
                inner = (own, *scopes)
            yield from _of_body(f"{site}.{child.name}", child, inner)
            continue
        for text in dict.fromkeys(_texts(site, child, scopes)):
            yield Saying(site, getattr(child, "lineno", 0), text)
        yield from _of_body(site, child, scopes)


def _texts(site: str, node: ast.AST, scopes: tuple[_Scope, ...]) -> Iterable[str]:
    if isinstance(node, ast.Call):
        return _of_call(site, node, scopes)
    sets = isinstance(node, ast.Assign) and ast.unparse(node.targets[0]).endswith(".refusal")
    answers = isinstance(node, ast.Return) and REFUSERS.fullmatch(site)
    if isinstance(node, ast.Assign | ast.Return) and (sets or answers):
        return [f"…refused: {text}" for text in readings(node.value, scopes) if text]
    said = node.value if isinstance(node, ast.Yield) else None
    if isinstance(said, ast.Tuple) and len(said.elts) == 3 and site.split(".")[0] in TUPLES:
        return _shaped("… {0}: found {1}, expected {2}", said.elts, scopes)
    return ()


def _shaped(shape: str, given: Iterable[ast.expr | None], scopes: tuple[_Scope, ...]) -> list[str]:
    parts = [readings(one, scopes) for one in given]
    every = itertools.islice(itertools.product(*parts), READINGS_MAX)
    return [shape.format(*one).replace(f"{OPEN}.:", f"{OPEN}:") for one in every]


def _of_call(site: str, node: ast.Call, scopes: tuple[_Scope, ...]) -> Iterable[str]:
    called = _called(node)
    if ast.unparse(node.func) == "super().__init__" and OWN_TEXT.fullmatch(site):
        return readings(node.args[0], scopes)
    if called == "append" and ast.unparse(node.func).endswith("notices.append"):
        return readings(node.args[0], scopes)
    if called == "_tell" and site.startswith("oscquery.") and node.args:
        return [f"discovery: {text}" for text in readings(node.args[0], scopes)]
    if called in CALLS and not (called == "_trouble" and site.endswith((".refuse", "._drop"))):
        names, shape = CALLS[called]
        by_name = {word.arg: word.value for word in node.keywords}
        given = [*node.args, *(by_name.get(name) for name in names[len(node.args) :])]
        if called == "refuse" and len(node.args) == 1:  # how `wire` says that bytes are none
            return readings(node.args[0], scopes)
        return _shaped(shape, given, scopes) if len(given) == len(names) else ()
    if LOGGED.fullmatch(ast.unparse(node.func)) and node.args:
        return [re.sub(r"%[-.\d]*[a-z]", OPEN, text) for text in readings(node.args[0], scopes)]
    words = {word.arg: word.value for word in node.keywords}
    if called == "print" and isinstance(words.get("file"), ast.Attribute) and node.args:
        return readings(node.args[0], scopes)
    if PAGE_ANSWERS.fullmatch(called) and "text" in words and site.startswith("pages"):
        return [f"page: {text}" for text in readings(words["text"], scopes)]
    return ()
