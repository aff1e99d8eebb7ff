"""Whether the maps of a rig are of the kind and language that the rig uses them for. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Protocol

from bridge.errors import Fault
from bridge.rig.rig import Rig
from bridge.rig.toml import Path


class About(Protocol):
    """What a map says of itself."""

    @property
    def kind(self) -> str:
        """``console`` or ``controller``."""


class Readable(Protocol):
    """As much of a map as has to be known here."""

    @property
    def map(self) -> About:
        """What it is."""

    @property
    def language(self) -> str:
        """``osc`` or ``midi``."""


def uses(rig: Rig) -> Iterator[tuple[Path, str, str, str]]:
    """Every place where a rig names a map: key, name, and the kind and language that it needs."""
    console = rig.file.console
    yield ("console", "map"), console.map, "console", "osc" if console.midi is None else "midi"
    for number, one in enumerate(rig.file.controller):
        language = "osc" if one.midi is None else "midi"
        yield ("controller", number, "map"), one.map, "controller", language


def misfits(rig: Rig, maps: Mapping[str, Readable]) -> Iterator[Fault]:
    """Maps of the wrong kind, or in a language that does not go over the declared link.

    Args:
        rig: What was declared.
        maps: Its maps, by the names it uses; those that could not be read may be missing.
    """
    for path, name, kind, language in uses(rig):
        found = maps.get(name)
        if found is None:
            continue
        if found.map.kind != kind:
            yield Fault(rig.at(path), f"{name!r}, a {found.map.kind}'s map", f"a {kind}'s map")
        elif found.language != language:
            yield Fault(rig.at(path), f"{name!r}, a map in {found.language.upper()}",
                        f"one in {language.upper()}, as the declared link carries")  # fmt: skip
