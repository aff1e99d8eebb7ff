"""The stage that the README shows can be copied as it stands. I/O."""

from __future__ import annotations

from pathlib import Path

from bridge.rig.rig import parse_rig
from bridge.stage.joins import joins
from bridge.stage.survey import survey

README = Path(__file__).parents[3] / "README.md"
HOUSE = """
[rig]
name = "Ferry Lane, room 2"
[[channel]]
id = "accordion"
console = 7
[[bus]]
id = "kit"
console = 1
width = "stereo"
[[bus]]
id = "left"
console = 2
[[bus]]
id = "side"
console = 3
[[performer]]
id = "ines"
buses = ["kit"]
[console]
map = "desk.toml"
send = "udp://192.0.2.10:9000"
"""


def test_the_stage_in_the_readme_is_right_and_every_level_of_it_is_known() -> None:
    blocks = README.read_text("utf-8").split("```")
    (example,) = [each.removeprefix("toml\n") for each in blocks if "\n[stage]" in each]
    rig = parse_rig(HOUSE + example, "README.md")
    assert None not in survey(rig).loudspeakers
    assert [wrong.kind for wrong in joins(rig)] == ["fed by nothing", "fed by nothing"]
