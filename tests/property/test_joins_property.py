"""Whatever is plugged into whatever: it is refused with its place, or it can be worked out."""

from __future__ import annotations

import math

from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.errors import RigError
from bridge.rig.rig import Rig, parse_rig
from bridge.stage.joins import chains, joins, load_of
from bridge.stage.survey import spare, survey

BUSES, BOXES, RACKS = ("front", "kit"), ("a", "b", "c", "d"), ("one", "two")
HEAD = """
[rig]
name = "Ferry Lane, room 2"
[[channel]]
id = "voice"
console = 1
[[bus]]
id = "front"
console = 1
[[bus]]
id = "kit"
console = 2
width = "stereo"
[console]
map = "desk.toml"
send = "udp://192.0.2.10:9000"
[stage]
[[microphone]]
channel = "voice"
at = [0, 1, 1]
pattern = "omni"
nominal_spl_db = 94
"""
RACK = """
[[amplifier]]
id = "{}"
power_8_ohm_w = 300
least_ohm = 4
"""

BOX = st.builds(
    lambda bus, facts: f'bus = "{bus}"\ncoverage_deg = 360\n{facts}',
    st.sampled_from(BUSES),
    st.sampled_from([
        "active = true\nspl_1m_db = 94\n",
        "active = true\n",
        "active = false\nsensitivity_db = 97\nimpedance_ohm = 8\npower_w = 200\n",
        "active = false\nsensitivity_db = 97\nimpedance_ohm = 4\n",
        "active = false\nspl_1m_db = 94\n",
    ]),
)  # fmt: skip
LINK = st.sampled_from([f'{{ loudspeaker = "{box}" }}' for box in BOXES])
INPUT = st.sampled_from([f'{{ amplifier = "{r}", input = {n} }}' for r in RACKS for n in (1, 2)])
START = st.one_of(
    st.sampled_from([f'{{ bus = "{bus}" }}' for bus in BUSES]),
    st.sampled_from([f'{{ amplifier = "{r}", output = {n} }}' for r in RACKS for n in (1, 2)]),
    INPUT,
    LINK,
)
LINE = st.builds(
    lambda start, end, cable, more: (
        f'[[line]]\nfrom = {start}\nto = {end}\ncable = "{cable}"\nlength_m = 9\n{more}'
    ),
    START,
    st.one_of(INPUT, LINK),
    st.sampled_from(["signal", "loudspeaker", "instrument"]),
    st.sampled_from(["", "mm2 = 2.5\n", "awg = 14\n", "mm2 = 1.7\n"]),
)


def said(boxes: list[str], lines: list[str]) -> str:
    placed = [
        f'[[loudspeaker]]\nid = "{name}"\nat = [{n}, 0, 0]\n{facts}'
        for n, (name, facts) in enumerate(zip(BOXES, boxes, strict=True))
    ]
    return HEAD + "".join(placed) + "".join(RACK.format(r) for r in RACKS) + "".join(lines)


def worked_out(rig: Rig) -> None:
    known = survey(rig)
    assert known.powers.shape == (1, 2)
    for number, chain in enumerate(chains(rig)):
        assert len(set(chain.lines)) == len(chain.lines)
        ends = [rig.file.line[n].end for n in chain.lines]
        assert not ends or ends[-1].loudspeaker == rig.file.loudspeaker[number].id
        assert chain.loss_db is None or -60.0 < chain.loss_db <= 0.0
        assert chain.damping is None or chain.damping > 0.0
        assert not math.isnan(spare(rig, rig.file.loudspeaker[number]))
    for rack in RACKS:
        for output in (1, 2):
            ohm = load_of(rig, rack, output)
            assert ohm is None or 0.0 < ohm <= 8.0
    for wrong in joins(rig):
        assert wrong.text and wrong.remedy and ":" in rig.at(wrong.where)


@settings(max_examples=300, deadline=None)
@given(st.lists(BOX, min_size=4, max_size=4), st.lists(LINE, max_size=8))
def test_every_wiring_is_refused_with_its_place_or_worked_out(
    boxes: list[str], lines: list[str]
) -> None:
    try:
        rig = parse_rig(said(boxes, lines), "rig.toml")
    except RigError as error:
        assert all(fault.where.startswith("rig.toml:") for fault in error.faults)
        return
    worked_out(rig)
