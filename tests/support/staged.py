"""A whole small stage to spoil, and what its faults are. Pure."""

from __future__ import annotations

import pytest

from bridge.errors import RigError
from bridge.rig.rig import parse_rig

ROOM = """\
[rig]
name = "Ferry Lane, room 2"
[[channel]]
id = "voice"
console = 1
[[channel]]
id = "accordion"
console = 2
[[bus]]
id = "front"
console = 1
[[bus]]
id = "kit"
console = 2
width = "stereo"
[[performer]]
id = "maud"
buses = ["front"]
[[performer]]
id = "ines"
buses = ["kit"]
[console]
map = "console.toml"
send = "udp://192.0.2.10:9000"
"""
STAGE = """\
[stage]
warn_percent = [50, 80, 100]
[[microphone]]
channel = "voice"
at = [0.0, 1.0, 1.5]
aim_at = [0.0, 1.5, 1.5]
pattern = "cardioid"
nominal_spl_db = 94
[[microphone]]
channel = "accordion"
at = [1.5, 1.0, 1.0]
a = 1.0
nominal_spl_db = 90
[[loudspeaker]]
id = "wedge"
bus = "front"
at = [0.0, 0.0, 0.3]
aim_deg = [0.0, 45.0]
active = true
spl_1m_db = 94
max_spl_db = 118
mains_a = 1.5
[[loudspeaker]]
id = "fill"
bus = "kit"
side = "left"
at = [-2.5, 3.0, 0.5]
coverage_deg = 360
active = false
sensitivity_db = 97
impedance_ohm = 8
power_w = 300
[[ear]]
performer = "maud"
at = [0.0, 1.6, 1.6]
[[ear]]
performer = "ines"
at = [-1.0, 3.5, 1.3]
in_ears = { bus = "kit", nominal_spl_db = 85 }
[[amplifier]]
id = "rack"
channels = 2
power_8_ohm_w = 300
least_ohm = 4
[[line]]
from = { bus = "front" }
to = { loudspeaker = "wedge" }
cable = "signal"
length_m = 10
[[line]]
from = { bus = "kit", side = "left" }
to = { amplifier = "rack", input = 1 }
cable = "signal"
length_m = 10
[[line]]
from = { amplifier = "rack", output = 1 }
to = { loudspeaker = "fill" }
cable = "loudspeaker"
length_m = 10
mm2 = 2.5
"""


def faults(text: str) -> list[str]:
    """What is wrong with a rig, each as ``line key: found, expected``."""
    with pytest.raises(RigError) as caught:
        parse_rig(text, "r")
    return [f"{f.where.removeprefix('r:')}: {f.found} -> {f.expected}" for f in caught.value.faults]


def line_of(said: str) -> int:
    """The line that a piece of the stage stands on, after the room."""
    return (ROOM + STAGE).split(said)[0].count("\n") + 1


def changed(old: str, new: str) -> str:
    assert STAGE.count(old) >= 1, old
    return ROOM + STAGE.replace(old, new, 1)
