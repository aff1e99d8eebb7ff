"""Stages that cannot be: each fault with its line, key path, what was found and expected."""

from __future__ import annotations

import pytest
from support.staged import ROOM, STAGE, changed, faults, line_of

from bridge import limits
from bridge.rig.rig import parse_rig


def test_a_whole_stage_has_no_fault() -> None:
    rig = parse_rig(ROOM + STAGE, "r")
    assert rig.file.stage is not None and len(rig.file.line) == 3


def test_a_stage_alone_and_a_room_without_one_have_no_fault() -> None:
    assert parse_rig(ROOM, "r").file.stage is None
    assert parse_rig(ROOM + "[stage]\n", "r").file.stage is not None


def test_things_without_a_stage_are_one_fault_a_kind() -> None:
    found = faults(ROOM + STAGE.split("\n", 2)[2])
    kinds = ("microphone", "loudspeaker", "ear", "amplifier", "line")
    told = [fault for fault in found if "a [stage] table too" in fault]
    assert [fault.split(": ")[1].split(" ->")[0] for fault in told] == [f"[[{k}]]" for k in kinds]


AGAIN = '[[microphone]]\nchannel = "voice"\nat = [1, 1, 1]\npattern = "omni"\nnominal_spl_db = 94\n'
EAR = '[[ear]]\nperformer = "maud"\nat = [1.0, 1.0, 1.0]\n'
RACK = '[[amplifier]]\nid = "{id}"\npower_8_ohm_w = 300\nleast_ohm = 4\n'


def test_twins_are_found() -> None:
    more = ROOM + STAGE + AGAIN + EAR + RACK.format(id="wedge") + RACK.format(id="rack")
    assert [fault.split(" ", 1)[1] for fault in faults(more)] == [
        "amplifier.1.id: 'wedge' again -> an id that no other loudspeaker or amplifier has",
        "amplifier.2.id: 'rack' again -> an id that no other loudspeaker or amplifier has",
        "microphone.2.channel: 'voice' again -> one microphone a channel",
        "ear.2.performer: 'maud' again -> one place a performer",
    ]


def test_strangers_are_found_together() -> None:
    text = STAGE
    for old, new in (
        ('channel = "voice"', 'channel = "kazoo"'),
        ('bus = "front"\nat', 'bus = "back"\nat'),
        ('performer = "maud"', 'performer = "bela"'),
        ('{ bus = "kit", nominal', '{ bus = "ears", nominal'),
        ('from = { bus = "front" }', 'from = { bus = "side" }'),
        ('amplifier = "rack", input', 'amplifier = "shelf", input'),
        ('to = { loudspeaker = "fill" }', 'to = { loudspeaker = "horn" }'),
    ):
        text = text.replace(old, new, 1)
    assert [fault.split(" ", 1)[1] for fault in faults(ROOM + text)] == [
        "microphone.0.channel: 'kazoo' -> one of accordion, voice",
        "loudspeaker.0.bus: 'back' -> one of front, kit",
        "ear.0.performer: 'bela' -> one of ines, maud",
        "ear.1.in_ears.bus: 'ears' -> one of front, kit",
        "line.0.from.bus: 'side' -> one of front, kit",
        "line.1.to.amplifier: 'shelf' -> one of rack",
        "line.2.to.loudspeaker: 'horn' -> one of fill, wedge",
    ]


def test_a_name_where_nothing_is_declared_says_so() -> None:
    text = changed(RACK.format(id="rack").replace("power_8", "channels = 2\npower_8"), "")
    told = faults(text)
    assert any("to.amplifier: 'rack' -> nothing, as there is no [[amplifier]]" in f for f in told)


CASES: tuple[tuple[str, str, str], ...] = (
    ("[50, 80, 100]", "[50, 50]", "stage.warn_percent: [50, 50] -> percents that rise"),
    ("[50, 80, 100]", "[80, 50]", "stage.warn_percent: [80, 50] -> percents that rise"),
    (
        'pattern = "cardioid"',
        'pattern = "cardioid"\na = 0.5',
        "microphone.0: both of 'pattern' and 'a' -> one of them",
    ),
    ('pattern = "cardioid"\n', "", "microphone.0: neither of 'pattern' and 'a' -> one of them"),
    (
        "aim_at = [0.0, 1.5, 1.5]\n",
        "",
        "microphone.0: neither of 'aim_at' and 'aim_deg' -> one of them",
    ),
    ("a = 1.0", "a = 0.9", "microphone.1: neither of 'aim_at' and 'aim_deg' -> one of them"),
    (
        "aim_at = [0.0, 1.5, 1.5]",
        "aim_at = [0.0, 1.5, 1.5]\naim_deg = [0.0, 0.0]",
        "microphone.0: both of 'aim_at' and 'aim_deg' -> one of them",
    ),
    (
        "aim_at = [0.0, 1.5, 1.5]",
        "aim_at = [0.0, 1.0, 1.5]",
        "microphone.0.aim_at: the place where it stands -> another point",
    ),
    (
        "aim_deg = [0.0, 45.0]",
        "aim_deg = [0.0, 95.0]",
        "loudspeaker.0.aim_deg.1: an elevation of 95 -> -90..90 degrees",
    ),
    (
        "aim_deg = [0.0, 45.0]\n",
        "",
        "loudspeaker.0: neither of 'aim_at' and 'aim_deg' -> one of them",
    ),
    (
        "coverage_deg = 360",
        "coverage_deg = 90",
        "loudspeaker.1: neither of 'aim_at' and 'aim_deg' -> one of them",
    ),
    (
        "at = [0.0, 1.0, 1.5]",
        "at = [0.0, 0.0, 0.34]",
        "microphone.0.at: 0.04 m from loudspeaker wedge -> 0.05 m or more",
    ),
    (
        "at = [0.0, 1.6, 1.6]",
        "at = [-2.5, 3.0, 0.5]",
        "ear.0.at: 0 m from loudspeaker fill -> 0.05 m or more",
    ),
    (
        'bus = "front"\nat',
        'bus = "front"\nside = "right"\nat',
        "loudspeaker.0.side: 'right' -> 'both' or nothing, as bus front is mono",
    ),
    (
        "mains_a = 1.5",
        "impedance_ohm = 8",
        "loudspeaker.0.impedance_ohm: 8 -> nothing, as it is active: its amplifier is inside",
    ),
    (
        "mains_a = 1.5",
        "power_w = 80",
        "loudspeaker.0.power_w: 80 -> nothing, as it is active: its amplifier is inside",
    ),
    (
        "mains_a = 1.5",
        "sensitivity_db = 97",
        "loudspeaker.0.sensitivity_db: 97 -> nothing, as it is active: its amplifier is inside",
    ),
    (
        "power_w = 300",
        "mains_a = 2",
        "loudspeaker.1.mains_a: 2 -> nothing, as it is passive: no mains",
    ),
    (
        "power_w = 300",
        "spl_1m_db = 97",
        "loudspeaker.1: both of 'spl_1m_db' and 'sensitivity_db' -> one of them",
    ),
    (
        "max_spl_db = 118",
        "max_spl_db = 93.9",
        "loudspeaker.0.max_spl_db: 93.9 -> at least spl_1m_db, 94",
    ),
    (
        'from = { bus = "front" }',
        "from = {}",
        "line.0.from: nothing -> one of 'bus', 'amplifier' and 'loudspeaker'",
    ),
    (
        'from = { bus = "front" }',
        'from = { bus = "front", loudspeaker = "fill" }',
        "line.0.from: 'bus' and 'loudspeaker' -> one of 'bus', 'amplifier' and 'loudspeaker'",
    ),
    (
        '"rack", input = 1',
        '"rack"',
        "line.1.to: neither of 'input' and 'output' -> one of them",
    ),
    (
        '"rack", output = 1',
        '"rack", output = 1, input = 1',
        "line.2.from: both of 'input' and 'output' -> one of them",
    ),
    (
        'loudspeaker = "wedge"',
        'loudspeaker = "wedge", input = 1',
        "line.0.to.input: 1 -> none without an amplifier",
    ),
    (
        'loudspeaker = "wedge"',
        'bus = "kit"',
        "line.0.to.bus: 'kit' -> an amplifier's input or a loudspeaker",
    ),
    ("input = 1", "output = 2", "line.1.to.output: 2 -> an input"),
    ("input = 1", "input = 3", "line.1.to.input: 3 -> 1..2, as many channels as it has"),
    ("output = 1", "output = 3", "line.2.from.output: 3 -> 1..2, as many channels as it has"),
    (
        'from = { bus = "front" }',
        'from = { bus = "front", side = "left" }',
        "line.0.from.side: 'left' -> 'both' or nothing, as bus front is mono",
    ),
    (
        'loudspeaker = "wedge"',
        'loudspeaker = "wedge", side = "left"',
        "line.0.to.side: 'left' -> no side without a bus",
    ),
    ("mm2 = 2.5", "mm2 = 2.5\nawg = 12", "line.2: both of 'mm2' and 'awg' -> one of them"),
    (
        "input = 1 }",
        'input = 1 }\njoined = "series"',
        "line.1.joined: 'series' -> 'parallel' or nothing: only loudspeakers are",
    ),
)


@pytest.mark.parametrize(("old", "new", "expected"), CASES)
def test_what_cannot_be_is_told_with_line_key_found_and_expected(
    old: str, new: str, expected: str
) -> None:
    told = faults(changed(old, new))
    assert any(fault.split(" ", 1)[1] == expected for fault in told), told
    assert all(fault.split(" ")[0].isdigit() for fault in told)


def test_a_fault_names_the_line_it_stands_on() -> None:
    (told,) = faults(changed("max_spl_db = 118", "max_spl_db = 90"))
    assert told.startswith(f"{line_of('max_spl_db')} loudspeaker.0.max_spl_db")


def test_the_least_distance_itself_is_allowed() -> None:
    at = f"at = [0.0, 0.0, {0.3 + limits.APART_M_MIN + 1e-9}]"
    assert parse_rig(changed("at = [0.0, 1.0, 1.5]", at), "r")


IMPOSSIBLE = (
    ("nominal_spl_db = 94", "nominal_spl_db = nan", "microphone.0.nominal_spl_db"),
    ("at = [0.0, 1.0, 1.5]", "at = [0.0, inf, 1.5]", "microphone.0.at.1"),
    ("at = [0.0, 1.0, 1.5]", "at = [0.0, 1.5]", "microphone.0.at"),
    ("aim_deg = [0.0, 45.0]", "aim_deg = [nan, 45.0]", "loudspeaker.0.aim_deg.0"),
    ("impedance_ohm = 8", "impedance_ohm = 0", "loudspeaker.1.impedance_ohm"),
    ("power_w = 300", "power_w = 0", "loudspeaker.1.power_w"),
    ("coverage_deg = 360", "coverage_deg = 0", "loudspeaker.1.coverage_deg"),
    ("least_ohm = 4", "least_ohm = nan", "amplifier.0.least_ohm"),
    ("length_m = 10", "length_m = 0", "line.0.length_m"),
    ("length_m = 10", "length_m = -3", "line.0.length_m"),
    ("mm2 = 2.5", "mm2 = inf", "line.2.mm2"),
    ("[50, 80, 100]", "[50, nan]", "stage.warn_percent.1"),
    ("a = 1.0", "a = true", "microphone.1.a"),
)


@pytest.mark.parametrize(("old", "new", "key"), IMPOSSIBLE)
def test_numbers_that_cannot_be_are_told_with_line_and_key(old: str, new: str, key: str) -> None:
    told = faults(changed(old, new))
    assert told and told[0].split(" ", 1)[1].startswith(f"{key}: "), told
    assert told[0].split(" ")[0] == str(line_of(old)), told
