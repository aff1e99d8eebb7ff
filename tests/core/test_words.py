"""What the README and its neighbours say can be copied, run, opened and looked at. I/O."""

from __future__ import annotations

import argparse
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel

from bridge.cli import _parser
from bridge.maps.load import parse_map
from bridge.maps.model import MapFile
from bridge.presets.preset import parse_preset
from bridge.rig.model import RigFile
from bridge.rig.rig import parse_rig

ROOT = Path(__file__).parents[2]
PAGES = sorted([ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "mappings" / "README.md",
                *(ROOT / "docs").glob("*.md")])  # fmt: skip
FENCE = re.compile(r"^```(\w*)\n(.*?)^```", re.MULTILINE | re.DOTALL)
LINK = re.compile(r"\]\(([^)\s]+)\)|(?:src|href)=\"([^\"]+)\"")
COMMAND = re.compile(r"foldbridge ([a-z]+)((?: +[^\s`#;,()\"]+)*)")
TOOL = re.compile(r"tools/[a-z_]+\.py")
SECRET = f"scrypt:32768:8:1:{'0' * 32}:{'0' * 64}"

HOUSE: dict[str, Any] = {
    "rig": {"name": "Ferry Lane, room 2"},
    "channel": [{"id": name, "console": number} for number, name in enumerate(
        ("accordion", "voice", "bass", "kick", "snare", "click"), 1)],
    "bus": [{"id": name, "console": number} for number, name in enumerate(
        ("kit", "front", "ears", "left", "side"), 1)],
    "performer": [{"id": "ines", "buses": ["kit"]}],
    "controller": [{"id": "panel", "hands": "engineer", "map": "p.toml", "listen": "udp://:9310",
                    "source": "192.0.2.20"}],
    "console": {"map": "desk.toml", "send": "udp://192.0.2.10:9000"},
}  # fmt: skip
"""What the parts of a rig that are shown by themselves stand beside."""


def blocks(page: Path, language: str) -> list[str]:
    text = page.read_text("utf-8")
    return [body for said, body in FENCE.findall(text) if said == language]


def cases() -> Iterator[Any]:
    for page in PAGES:
        name = str(page.relative_to(ROOT))
        for number, block in enumerate(blocks(page, "toml")):
            yield pytest.param(name, block, id=f"{name}-{number}")


def written(table: dict[str, Any]) -> str:
    """A table as TOML, in one line a key: what is inside needs no form."""
    return "\n".join(f"{key} = {_value(value)}" for key, value in table.items())


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {_value(one)}" for key, one in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else repr(value)


def unknown(model: type[BaseModel], table: dict[str, Any]) -> list[str]:
    return [key for key in table if key not in model.model_fields]


def in_a_house(table: dict[str, Any]) -> dict[str, Any]:
    """A part of a rig with what it stands beside; of two with one id the part's own counts."""
    whole = {**HOUSE, **table}
    for key in ("channel", "bus", "performer", "controller"):
        own = {one["id"] for one in table.get(key, [])}
        whole[key] = [*table.get(key, []), *(o for o in HOUSE[key] if o["id"] not in own)]
    return whole


def as_a_rig(text: str, where: str) -> None:
    table = tomllib.loads(text.replace("scrypt:32768:8:1:...", SECRET))
    assert unknown(RigFile, table) == []
    parse_rig(written(table if "console" in table else in_a_house(table)), where)


def as_a_map(text: str, where: str) -> None:
    """A map, or entries of a controller's."""
    if "[map]" not in text:
        turns = "" if "[[turn]]" in text else '[[turn]]\nid = "mix"\n[[turn]]\nid = "me"\n'
        press = '[[midi]]\naction = "next turn"\nmessage = "note"\nnumber = 1\n'
        entries = text if "next turn" in text else turns + text + press
        entries = entries if "[[midi]]" in entries else f"{entries}\n{press}"
        head = '[map]\nname = "Shown"\nkind = "controller"\n'
        text = head + (entries if "turn" in text else f"{text}\n{press}")
    assert unknown(MapFile, tomllib.loads(text)) == []
    parse_map(text, where)


@pytest.mark.parametrize(("where", "text"), list(cases()))
def test_what_is_shown_as_toml_is_what_it_claims_to_be(where: str, text: str) -> None:
    table = tomllib.loads(text)
    if "scope" in table:
        parse_preset(text, where)
    elif unknown(MapFile, table):
        as_a_rig(text, where)
    elif set(table) == {"names"}:
        MapFile.model_validate({"map": {"name": "Shown", "kind": "console"}, **table})
    else:
        as_a_map(text, where)


def commands() -> dict[str, argparse.ArgumentParser]:
    (group,) = (one for one in _parser()._actions if isinstance(one, argparse._SubParsersAction))
    return dict(group.choices)


def said(page: Path) -> Iterator[tuple[str, list[str]]]:
    """Every command that a page names in code, with its words."""
    text = page.read_text("utf-8")
    code = [body for _, body in FENCE.findall(text)]
    code += re.findall(r"`([^`]+)`", FENCE.sub("", text))
    for each in code:
        for name, rest in COMMAND.findall(each.replace("\nwitness", " witness")):
            yield name, rest.split()


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_command_that_is_named_exists_with_its_options(page: Path) -> None:
    known = commands()
    for name, words in said(page):
        assert name in known, f"foldbridge {name}"
        options = {option for action in known[name]._actions for option in action.option_strings}
        assert [w for w in words if w.startswith("--") and w not in options] == [], name


def test_the_readme_names_every_command() -> None:
    text = (ROOT / "README.md").read_text("utf-8")
    for name in commands():
        assert re.search(rf"`{name}`|foldbridge {name}\b", text), name


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_link_leads_somewhere(page: Path) -> None:
    text = page.read_text("utf-8")
    for found in LINK.finditer(text):
        link = found[1] or found[2]
        if link.startswith(("http://", "https://")):
            continue
        name, _, part = link.partition("#")
        target = (page.parent / name).resolve() if name else page
        assert target.exists(), link
        if part:
            assert part in anchors(target), link


def anchors(page: Path) -> set[str]:
    """The places of a page: each heading in small letters, with hyphens for spaces."""
    lines = FENCE.sub("", page.read_text("utf-8")).splitlines()
    heads = [line.lstrip("#").strip().lower() for line in lines if line.startswith("#")]
    return {re.sub(r"[^\w\- ]", "", head).replace(" ", "-") for head in heads}


def test_every_picture_is_shown_somewhere() -> None:
    shown = "".join(page.read_text("utf-8") for page in PAGES)
    pictures = [path.name for path in (ROOT / "docs" / "screens").glob("*.png")]
    assert pictures and [name for name in pictures if f"screens/{name}" not in shown] == []


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_tool_that_is_named_is_there(page: Path) -> None:
    named = TOOL.findall(page.read_text("utf-8"))
    assert [name for name in named if not (ROOT / name).exists()] == []
