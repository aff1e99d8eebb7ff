"""Every shipped rig: it is right, it can be run, and the schemas say what it may say. I/O."""

from __future__ import annotations

import json
import math
import re
import tomllib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from bridge import cli
from bridge.checking import check
from bridge.house import House, Roads, console_words
from bridge.loading import load
from bridge.rig.layout import Parameter
from bridge.simulator.facts import facts_from
from bridge.simulator.recording import header_of, settled
from bridge.simulator.stand_in import StandIn
from bridge.simulator.witness import judge

MAPPINGS = Path(__file__).parents[2] / "mappings"
RIGS = ("demo", "drummer", "rehearsal-room", "stage-32")
WARNED: dict[str, tuple[str, ...]] = {
    "demo": (),
    "drummer": (),
    "rehearsal-room": (
        "console.map: the console neither says nor is told where a send takes its signal",
        "console.readback: the console is not read back",
    ),
    "stage-32": (),
}
"""A mixer that cannot be read is a danger, and the rig that has one is honest about it."""

SIZES = {"demo": (6, 3), "drummer": (6, 2), "rehearsal-room": (8, 2), "stage-32": (32, 12)}
EXAMPLE_HOST = re.compile(r"^(127\.0\.0\.1|192\.0\.2\.\d+|)$")
"""This machine, the addresses kept for examples (RFC 5737, TEST-NET-1), or every address."""


def rig_path(name: str) -> Path:
    return MAPPINGS / "rigs" / f"{name}.toml"


def addresses(value: Any) -> Iterator[str]:
    """Every socket address in a table, at any depth."""
    if isinstance(value, str) and "://" in value:
        yield value
    children = value.values() if isinstance(value, dict) else value
    for child in children if isinstance(value, dict | list) else ():
        yield from addresses(child)


def test_no_shipped_rig_is_without_a_test() -> None:
    assert {path.stem for path in (MAPPINGS / "rigs").glob("*.toml")} == set(RIGS)


@pytest.mark.parametrize("name", RIGS)
def test_a_shipped_rig_has_no_faults_and_only_known_warnings(name: str) -> None:
    report = check(rig_path(name))
    assert (len(report.rig.layout.channels), len(report.rig.layout.buses)) == SIZES[name]
    assert len(report.warnings) == len(WARNED[name]), report.warnings
    for warning, known in zip(report.warnings, WARNED[name], strict=True):
        assert known in warning


@pytest.mark.parametrize("name", RIGS)
def test_every_bus_of_a_shipped_rig_is_set_moved_and_opened_by_somebody(name: str) -> None:
    report = check(rig_path(name))
    cells = {(c["parameter"], c["bus"]): c for c in report.data()["cells"] if c["of"] is None}
    for number, bus in enumerate(report.rig.layout.buses):
        assert cells["bus master", bus]["set"] and cells["bus master", bus]["moved_by"]
        opened = cells.get(("bus open", bus), {"moved_by": []})["moved_by"]
        assert opened or report.rig.file.bus[number].auto_open


class Stage:
    """A shipped rig at work with its console's stand-in, on a clock of numbers."""

    def __init__(self, name: str) -> None:
        rig, maps = load(rig_path(name))
        words = maps[rig.file.console.map]
        self.lines: list[dict[str, Any]] = []
        self.answers: list[tuple[bytes, object]] = []
        self.now_s, self.sent = 0.0, 0
        self.console = StandIn(
            console_words(rig, words, at_console=True), rig.layout, self.lines.append
        )
        facts = facts_from(rig, console_words(rig, words), self.console.values)
        self.lines.append(header_of(facts))
        roads = Roads(self.tell, [lambda data: True] * len(rig.file.controller), reliable=False)
        self.house = House(rig, maps, roads)

    def tell(self, data: bytes) -> bool:
        self.sent += 1
        replies = self.console.receive(data, self.now_s, self.sent, self.now_s)
        self.answers += [(reply, "console") for reply in replies]
        return True

    def play(self, until_s: float) -> None:
        """Let time pass in ticks until all has rested for half a second, or for that long."""
        self.house.console.link_open(self.now_s)
        self.house.settle(self.now_s)
        rested = 0
        while self.now_s < until_s and rested < 25:
            rested = rested + 1 if self.house.rests() else 0
            self.now_s += 0.02
            heard, self.answers = self.answers, []
            self.house.from_console(heard, self.now_s)
            self.house.wake(self.now_s)
        self.lines.append(settled(self.now_s, self.house.expected()))


@pytest.mark.parametrize("name", RIGS)
def test_a_shipped_rig_starts_arrives_and_keeps_every_promise(name: str) -> None:
    stage = Stage(name)
    stage.play(until_s=60.0)
    findings = judge(stage.lines)
    assert findings.ok, findings.text()
    assert stage.house.rests() and stage.now_s < 60.0
    rig, layout = stage.house.rig, stage.house.rig.layout
    for number, bus in enumerate(rig.file.bus):
        master = stage.console.values[layout.slot(Parameter.BUS_MASTER, -1, number)]
        assert master <= bus.start_db
        assert master > bus.start_db - 3.0 if bus.auto_open else master < -60.0
        for channel, level_db in bus.start_mix.items():
            send = layout.slot(Parameter.SEND_LEVEL, layout.channels.index(channel), number)
            assert level_db - 1.0 < stage.console.values[send] <= level_db


@pytest.mark.parametrize("name", RIGS)
def test_a_shipped_rig_names_no_address_of_anybody(name: str) -> None:
    table = tomllib.loads(rig_path(name).read_text(encoding="utf-8"))
    found = list(addresses(table))
    assert found
    for address in found:
        host = address.split("://")[1].rpartition(":")[0]
        assert EXAMPLE_HOST.match(host), address
    for controller in table["controller"]:
        assert EXAMPLE_HOST.match(controller.get("source", "")), controller["id"]


def test_two_shipped_rigs_can_run_side_by_side() -> None:
    ports: Counter[str] = Counter()
    for name in RIGS:
        table = tomllib.loads(rig_path(name).read_text(encoding="utf-8"))
        ports.update({address.rpartition(":")[2] for address in addresses(table)})
    assert [port for port, rigs in ports.items() if rigs > 1] == []


WITH_STAGE = ("demo", "stage-32")


@pytest.mark.parametrize("name", WITH_STAGE)
def test_a_shipped_stage_starts_well_inside_its_margin(name: str) -> None:
    stage = check(rig_path(name)).data()["stage"]
    assert stage["start_headroom_db"] > stage["margin_db"] + 20.0
    assert stage["nominal_headroom_db"] > stage["margin_db"] + 6.0


@pytest.mark.parametrize("name", WITH_STAGE)
def test_on_a_shipped_stage_somebody_who_wants_it_all_meets_the_feedback_ceiling(name: str) -> None:
    report = check(rig_path(name))
    limits, top = report.rig.file.limits, {}
    for bus in report.rig.file.bus:
        own = bus.send_ceiling_db
        top[bus.id] = limits.send_ceiling_db if own is None else own
    mine = {bus for performer in report.rig.file.performer for bus in performer.buses}
    rows = [row for row in report.data()["stage"]["buses"] if row["channel"] is not None]
    assert [r["bus"] for r in rows if r["bus"] in mine and r["beside_db"] < top[r["bus"]]]


# -- schemas ------------------------------------------------------------------------------------


KINDS: dict[str, tuple[type, ...]] = {
    "object": (dict,), "array": (list,), "string": (str,), "number": (int, float),
    "integer": (int,), "boolean": (bool,), "null": (type(None),),
}  # fmt: skip


def breaks(value: Any, schema: dict[str, Any], root: dict[str, Any], at: str = "") -> list[str]:
    """Where a value breaks a JSON Schema, for the words that our schemas use."""
    if "$ref" in schema:
        name = schema["$ref"].removeprefix("#/$defs/")
        return breaks(value, root["$defs"][name], root, at)
    if "anyOf" in schema:
        each = [breaks(value, one, root, at) for one in schema["anyOf"]]
        return [] if [] in each else [found for one in each for found in one]
    kind = schema.get("type")
    odd = isinstance(value, bool) and kind in ("number", "integer")
    if kind is not None and (odd or not isinstance(value, KINDS[kind])):
        return [f"{at}: {value!r} is no {kind}"]
    if isinstance(value, dict):
        return _object_breaks(value, schema, root, at)
    if isinstance(value, list):
        inner = schema.get("items", {})
        return [f for i, one in enumerate(value) for f in breaks(one, inner, root, f"{at}.{i}")]
    return list(_plain_breaks(value, schema, at))


def _plain_breaks(value: Any, schema: dict[str, Any], at: str) -> Iterator[str]:
    if value not in schema.get("enum", [value]) or value != schema.get("const", value):
        yield f"{at}: {value!r} is none of {schema.get('enum', schema.get('const'))}"
    if isinstance(value, str) and not re.search(schema.get("pattern", ""), value):
        yield f"{at}: {value!r} does not match {schema['pattern']}"
    if isinstance(value, int | float):
        low, high = schema.get("minimum", value), schema.get("maximum", value)
        above = schema.get("exclusiveMinimum", value - 1)
        if not (low <= value <= high and (value > above or math.isinf(value))):
            yield f"{at}: {value!r} is out of range"


def _object_breaks(value: dict[str, Any], schema: dict[str, Any], root: dict[str, Any],
                   at: str) -> list[str]:  # fmt: skip
    known, more = schema.get("properties", {}), schema.get("additionalProperties", True)
    found = [f"{at}.{key} is missing" for key in schema.get("required", ()) if key not in value]
    for key, one in value.items():
        if key in known:
            found += breaks(one, known[key], root, f"{at}.{key}")
        elif more is False:
            found.append(f"{at}.{key}: no such key")
        elif isinstance(more, dict):
            found += breaks(one, more, root, f"{at}.{key}")
    return found


def schema_of(kind: str, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    assert cli.main(["schema", kind]) == 0
    schema: dict[str, Any] = json.loads(capsys.readouterr().out)
    return schema


FILES = [("rig", rig_path(name)) for name in RIGS] + [
    ("map", path) for path in sorted(MAPPINGS.glob("*.toml"))
]


@pytest.mark.parametrize(("kind", "path"), FILES, ids=lambda value: getattr(value, "stem", value))
def test_the_schema_takes_every_shipped_file(
    kind: str, path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    schema = schema_of(kind, capsys)
    table = tomllib.loads(path.read_text(encoding="utf-8"))
    assert breaks(table, schema, schema) == []


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("bus", [], None),
        ("colour", "red", ".colour: no such key"),
        ("channel", [{"id": "Kick", "console": 1}], ".channel.0.id: 'Kick' does not match"),
        ("channel", [{"id": "kick"}], ".channel.0.console is missing"),
        ("limits", {"step_db": 9}, ".limits.step_db: 9 is out of range"),
        ("rig", {"name": 4}, ".rig.name: 4 is no string"),
        ("stage", {"margin_db": 40}, ".stage.margin_db: 40 is out of range"),
        ("line", [{"start": {"bus": "kit"}}], ".line.0.from is missing"),
        ("line", [{"start": {"bus": "kit"}}], ".line.0.start: no such key"),
        ("ear", [{"performer": "ines"}], ".ear.0.at is missing"),
    ],
)
def test_the_schema_refuses_what_the_loader_refuses(
    key: str, value: Any, said: str | None, capsys: pytest.CaptureFixture[str]
) -> None:
    schema = schema_of("rig", capsys)
    table = tomllib.loads(rig_path("demo").read_text(encoding="utf-8")) | {key: value}
    found = breaks(table, schema, schema)
    if said is None:
        assert schema["properties"][key]["minItems"] == 1
    else:
        assert any(one.startswith(said) for one in found), found


@pytest.mark.parametrize("kind", ["rig", "map"])
def test_every_key_of_a_schema_says_what_it_means(
    kind: str, capsys: pytest.CaptureFixture[str]
) -> None:
    schema = schema_of(kind, capsys)
    for name, table in schema["$defs"].items():
        for key, one in table.get("properties", {}).items():
            assert one.get("description"), f"{name}.{key}"
