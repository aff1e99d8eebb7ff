"""What a check says: tables of what the rig reaches and how its stage binds, and warnings. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from bridge.checking.ground import Ground
from bridge.doors import EVERY_HOST, Door, doors
from bridge.maps.reach import Reach, reach
from bridge.rig.layout import KINDS, Parameter, Scope
from bridge.rig.rig import Rig

INSIDE = frozenset({
    Parameter.BUS_OPEN, Parameter.BUS_DIM, Parameter.SILENCE, Parameter.FREEZE, Parameter.GROUP,
})  # fmt: skip
"""What the bridge keeps itself: no console has it."""

NAMES_SHOWN = 4
"""Names in one cell of the table; a row that needs more says how many more."""

LISTENS = ("listens on", "for", "reachable from")

HEADS = ("parameter", "of", "in", "set", "read", "ask", "moved by", "shown at")


class StageTable(Protocol):
    """What a report tells of a stage."""

    def summary(self) -> str:
        """How far the mixes are from the first ring."""

    def text(self) -> list[list[str]]:
        """A table for people."""

    def data(self) -> dict[str, Any]:
        """The same for machines."""


@dataclass(frozen=True, slots=True)
class Report:
    """What was found.

    Attributes:
        rig: The rig.
        cells: Who can set, read, move and show what; movers are those that may, too.
        warnings: Everything that is odd, each with where, what, and what to do.
        notes: What is left open, in the same form; nothing is wrong with it.
        stage: How the stage binds; None where none is declared.
    """

    rig: Rig
    cells: tuple[Reach, ...]
    warnings: list[str]
    notes: list[str]
    stage: StageTable | None = None

    def text(self) -> str:
        """The report for people."""
        layout = self.rig.layout
        head = (f"{self.rig.file.rig.name}: {len(layout.channels)} channels, "
                f"{len(layout.buses)} buses, {len(layout.performers)} performers")  # fmt: skip
        count = len(self.warnings)
        tail = [f"note: {note}" for note in self.notes]
        tail += [f"warning: {warning}" for warning in self.warnings]
        tail.append(f"{count} warning{'' if count == 1 else 's'}" if count else "no warnings")
        people = [f"  {name}: {person}, {road}" for name, person, road in _people(self.rig)]
        listens = [LISTENS, *map(_listening, doors(self.rig))]
        rows = [*_columns(listens), ""] if len(listens) > 1 else []
        rows += [*_columns([HEADS, *self._rows()]), ""]
        if self.stage is not None:
            rows += [self.stage.summary(), *_columns(self.stage.text()), ""]
        return "\n".join([head, *people, "", *rows, *tail])

    def data(self) -> dict[str, Any]:
        """The report for machines, in plain data."""
        layout = self.rig.layout
        return {
            "file": self.rig.where,
            "rig": self.rig.file.rig.name,
            "channels": list(layout.channels),
            "buses": list(layout.buses),
            "controllers": [
                {"id": name, "hands": person, "road": road}
                for name, person, road in _people(self.rig)
            ],
            "listens": [
                {
                    "protocol": door.place.transport,
                    "host": door.place.host,
                    "port": door.place.port,
                    "for": list(door.users),
                    "key": door.key,
                    "reachable_from": _reach(door),
                }
                for door in doors(self.rig)
            ],
            "cells": [self._cell(one) for one in self.cells],
            "stage": None if self.stage is None else self.stage.data(),
            "warnings": list(self.warnings),
            "notes": list(self.notes),
        }

    def _cell(self, one: Reach) -> dict[str, Any]:
        parameter, of, bus = self._named(one.slot)
        return {
            "parameter": str(parameter), "of": of, "bus": bus, "set": one.set, "read": one.read,
            "ask": one.ask, "moved_by": list(one.movers), "shown_at": list(one.shown),
        }  # fmt: skip

    def _named(self, slot: int) -> tuple[Parameter, str | None, str | None]:
        """A slot's parameter, the id of its channel, performer or group, and of its bus."""
        layout = self.rig.layout
        parameter, number, bus = layout.place(slot)
        scope = KINDS[parameter][1]
        ids = {
            Scope.PERFORMER: layout.performers,
            Scope.GROUP: layout.groups,
            Scope.PRESET: layout.presets,
        }
        of = ids.get(scope, layout.channels)[number] if number >= 0 else None
        return parameter, of, layout.buses[bus] if bus >= 0 else None

    def _rows(self) -> list[tuple[str, ...]]:
        """The cells as rows: what is alike over channels, and then over buses, stands together."""
        by_bus: dict[tuple[Any, ...], list[str]] = {}
        for one in self.cells:
            parameter, of, bus = self._named(one.slot)
            key = (parameter, bus, one.set, one.read, one.ask, one.movers, one.shown)
            by_bus.setdefault(key, []).append(of or "-")
        rows: dict[tuple[Any, ...], list[str]] = {}
        for (parameter, bus, *facts), names in by_bus.items():
            rows.setdefault((parameter, tuple(names), *facts), []).append(bus or "-")
        return [self._row(key, buses) for key, buses in rows.items()]

    def _row(self, key: tuple[Any, ...], buses: Sequence[str]) -> tuple[str, ...]:
        parameter, names, told, read, ask, movers, shown = key
        everyone = {Scope.CHANNEL: self.rig.layout.channels, Scope.CELL: self.rig.layout.channels}
        flags = (told, read, ask)
        words = ["bridge", "-", "-"] if parameter in INSIDE else \
            ["yes" if flag else "no" for flag in flags]  # fmt: skip
        return (
            str(parameter),
            _short(names, everyone.get(KINDS[parameter][1], ())),
            _short(buses, self.rig.layout.buses),
            *words,
            ", ".join(movers) or "-",
            ", ".join(shown) or "-",
        )


def report_on(
    ground: Ground,
    warnings: Iterable[object],
    notes: Iterable[object] = (),
    *,
    stage: StageTable | None = None,
) -> Report:
    """The report on a compiled rig; the same warning is told once."""
    hands = {each.declared.id: each for each in ground.hands}
    controllers = {name: each.words for name, each in hands.items()}
    cells = tuple(
        one._replace(movers=tuple(n for n in one.movers if ground.may(hands[n], one.slot)))
        for one in reach(ground.rig.layout, ground.console, controllers)
    )
    told, noted = (list(dict.fromkeys(map(str, each))) for each in (warnings, notes))
    return Report(ground.rig, cells, told, noted, stage)


def _people(rig: Rig) -> list[tuple[str, str, str]]:
    """Each controller, whose hands are on it, and where it comes in; the console last."""
    console = rig.file.console
    return [
        *(
            (c.id, rig.person(rig.hands(c)), c.listen or f"MIDI {c.midi}")
            for c in rig.file.controller
        ),
        ("console", "told and heard", console.send or f"MIDI {console.midi}"),
    ]


def _listening(door: Door) -> tuple[str, str, str]:
    """A port as people read it: which, who is heard there, and who can reach it."""
    place = door.place
    host = "*" if place.host in EVERY_HOST else f"[{place.host}]" if ":" in place.host else \
        place.host  # fmt: skip
    port = str(place.port) if place.port else "(a free one)"
    return f"{place.transport} {host}:{port}", ", ".join(door.users), _reach(door)


def _reach(door: Door) -> str:
    return "this machine only" if door.loopback else "the network"


def _short(names: Sequence[str], everyone: Sequence[str]) -> str:
    if len(names) > 1 and tuple(names) == tuple(everyone):
        return f"all {len(names)}"
    more = len(names) - NAMES_SHOWN
    return " ".join(names[:NAMES_SHOWN]) + (f" +{more}" if more > 0 else "")


def _columns(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    lines = []
    for row in rows:
        cells = (text.ljust(width) for text, width in zip(row, widths, strict=True))
        lines.append("  ".join(cells).rstrip())
    return lines
