"""Any level, any law, any bytes: no map says it louder, drifts or falls over. Pure."""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from bridge.errors import MapError
from bridge.maps.console import ConsoleWords
from bridge.maps.controller import ControllerWords
from bridge.maps.laws import points_law
from bridge.maps.load import parse_map
from bridge.maps.scale import GridScale, PanScale
from bridge.rig.layout import KINDS, Kind, Layout
from bridge.units import TableLaw
from bridge.wire import osc

MAPPINGS = Path(__file__).parents[2] / "mappings"
LAYOUT = Layout(("drums", "accordion", "voice"), ("kit", "keys"), ("ines",), ("band",))
FILES = {
    path.stem: parse_map(path.read_text("utf-8"), path.name) for path in MAPPINGS.glob("*.toml")
}
CONSOLES = {name: one for name, one in FILES.items() if one.map.kind == "console"}
BRIDGE = {name: ConsoleWords(one, LAYOUT) for name, one in CONSOLES.items()}
DESK = {name: ConsoleWords(one, LAYOUT, end="console") for name, one in CONSOLES.items()}
CONTROLLERS = {
    name: ControllerWords(one, LAYOUT)
    for name, one in FILES.items()
    if one.map.kind == "controller"
}
LEVEL_SLOTS = [
    (name, slot)
    for name, words in BRIDGE.items()
    for slot in sorted(words.can_set)
    if KINDS[LAYOUT.place(slot).parameter][0] is Kind.LEVEL
]

levels = st.floats(-100.0, 30.0) | st.just(-math.inf) | st.integers(-900, 300).map(lambda n: n / 10)


@st.composite
def laws(draw: st.DrawFn) -> TableLaw:
    """Any break points that rise by 1 dB for the whole travel or more."""
    inner = draw(st.lists(st.floats(0.01, 0.99), max_size=6, unique=True))
    positions = [0.0, *sorted(inner), 1.0]
    level_db = draw(st.floats(-90.0, -20.0))
    points = [(0.0, level_db)]
    for before, position in pairwise(positions):
        rise = draw(st.floats(1.0, 200.0)) * (position - before)
        assume(level_db + rise > level_db and position > before)
        level_db += rise + 1e-6
        points.append((position, level_db))
    return TableLaw(tuple(points), draw(st.booleans()))


@st.composite
def scales(draw: st.DrawFn) -> GridScale:
    """Any law on any whole-number or float travel, either way up."""
    law = points_law(draw(laws()))
    whole = draw(st.booleans())
    top = draw(st.sampled_from([1, 10, 127, 1000, 16383, 1 << 21]))
    low, high = draw(st.sampled_from([(0, top), (top, 0), (-top, 0), (0, top)]))
    off = draw(st.sampled_from([None, -5 - top]))
    return GridScale(law, (low, high), whole=whole, off=off)


@given(scales(), levels, levels)
@settings(max_examples=400)
def test_a_scale_never_says_more_and_never_drifts(
    scale: GridScale, one_db: float, other_db: float
) -> None:
    lowest = scale.value(scale.raw(-math.inf))
    low, high = sorted((one_db, other_db))
    held_low, held_high = scale.value(scale.raw(low)), scale.value(scale.raw(high))
    assert held_low <= held_high
    for level_db, held in ((low, held_low), (high, held_high)):
        assert held <= max(level_db, lowest)
        assert scale.raw(held) == scale.raw(level_db)


@given(scales(), st.floats(0.0, 1.0))
@settings(max_examples=400)
def test_a_scale_says_the_highest_number_that_is_allowed(scale: GridScale, position: float) -> None:
    assert scale.law is not None
    level_db = scale.law.db(position)
    assume(level_db >= -90.0)
    raw = scale.raw(level_db)
    above = raw + scale._step  # type: ignore[operator]
    if not math.isnan(scale.value(above)) and scale.value(raw) > -math.inf:
        assert (
            scale.value(above) > level_db or above == raw or scale.value(above) == scale.value(raw)
        )


@given(st.sampled_from([(0, 127), (127, 0), (0, 1), (-50, 50)]), st.booleans(), st.floats(-1, 1))
def test_a_pan_never_drifts(ends: tuple[float, float], whole: bool, pan: float) -> None:
    assume(not (whole and abs(ends[1] - ends[0]) < 2))
    scale = PanScale(ends, 64 if whole and 127 in ends else None, whole=whole)
    assert scale.raw(scale.value(scale.raw(pan))) == scale.raw(pan)


@given(st.sampled_from(LEVEL_SLOTS), levels)
@settings(max_examples=400)
def test_both_ends_of_every_map_agree_and_no_word_is_louder(
    where: tuple[str, int], level_db: float
) -> None:
    name, slot = where
    bridge, desk = BRIDGE[name], DESK[name]
    held = bridge.held(slot, level_db)
    assert held <= level_db
    heard = [one for data in bridge.encode(slot, level_db) for one in desk.decode(data)]
    assert heard[-1] == (slot, held)
    assert all(said <= level_db for _, said in heard)
    assert bridge.encode(slot, held) == bridge.encode(slot, level_db)


ADDRESSES = ["/out/01/in/02/level", "/my/1/level", "/my/*/on", "/put/cross", "/my/wheel", "/here"]
arguments = st.lists(
    st.tuples(st.just("i"), st.integers(-(2**31), 2**31 - 1))
    | st.tuples(st.just("f"), st.floats(width=32, allow_nan=False))
    | st.tuples(st.just("d"), st.floats(allow_nan=False))
    | st.tuples(st.just("s"), st.text(st.characters(min_codepoint=32, max_codepoint=126)))
    | st.tuples(st.just("T"), st.just(True))
    | st.tuples(st.just("N"), st.none())
    | st.tuples(st.just("b"), st.binary(max_size=8)),
    max_size=4,
)


@st.composite
def messages(draw: st.DrawFn) -> bytes:
    """OSC with a known address and any arguments, MIDI, or any bytes at all."""
    if draw(st.booleans()):
        return draw(st.binary(max_size=48))
    said = draw(arguments)
    tags = "".join(tag for tag, _ in said)
    return osc.encode(draw(st.sampled_from(ADDRESSES)), tags, [value for _, value in said])


@given(st.lists(messages(), max_size=8))
@settings(max_examples=300)
def test_nothing_that_is_received_raises_or_means_a_number_that_is_none(
    received: list[bytes],
) -> None:
    for data in received:
        for words in (*BRIDGE.values(), *DESK.values()):
            for _, value in words.decode(data):
                assert value < math.inf
        for controller in CONTROLLERS.values():
            for move in controller.decode(data, 0.0):
                assert move.value < math.inf
                assert 0 <= move.control < len(controller.controls)
                assert move.slot in controller.controls[move.control].slots


@given(st.binary(min_size=0, max_size=3).map(lambda tail: b"\xb1" + tail))
def test_a_midi_controller_never_raises(data: bytes) -> None:
    for controller in CONTROLLERS.values():
        controller.decode(data, 0.0)


TEXTS = [path.read_text("utf-8") for path in sorted(MAPPINGS.glob("*.toml"))]


@given(st.sampled_from(TEXTS), st.data())
@settings(max_examples=300)
def test_a_damaged_map_gives_a_fault_or_a_map(text: str, data: st.DataObject) -> None:
    lines = text.splitlines()
    at = data.draw(st.integers(0, len(lines) - 1))
    how = data.draw(st.sampled_from(["drop", "twice", "cut", "swap", "number"]))
    line = lines[at]
    damaged = {
        "drop": [],
        "twice": [line, line],
        "cut": [line[: len(line) // 2]],
        "swap": [line[::-1]],
        "number": [line.replace("1", "70000").replace("0", "-3")],
    }[how]
    try:
        map_file = parse_map("\n".join([*lines[:at], *damaged, *lines[at + 1 :]]), "hurt.toml")
        make = ConsoleWords if map_file.map.kind == "console" else ControllerWords
        make(map_file, LAYOUT)
    except MapError as error:
        assert error.faults
        assert all(fault.where.startswith("hurt.toml") for fault in error.faults)
