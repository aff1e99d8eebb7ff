"""Rigs with a stage to plan with: an invented evening at Ferry Lane. Pure."""

from __future__ import annotations

from bridge.rig.rig import Rig, parse_rig

HEAD = """\
[rig]
name = "Ferry Lane, room 2"
[limits]
send_ceiling_db = 3
master_ceiling_db = 0
[engineer]
name = "Ruth"
[console]
map = "console.toml"
send = "udp://192.0.2.10:9000"
listen = "udp://:9001"
[[channel]]
id = "kick"
label = "Bass drum"
console = 1
[[channel]]
id = "overhead"
label = "Cymbals"
console = 2
[[channel]]
id = "bass"
label = "Double bass"
console = 3
[[channel]]
id = "accordion"
label = "Accordion"
console = 4
[[channel]]
id = "voice"
label = "Voice"
console = 5
[[channel]]
id = "click"
label = "Click"
console = 6
[[bus]]
id = "kit"
label = "Ines"
console = 1
start_db = -20
nominal_db = -6
start_mix = { click = -6, bass = -9, voice = -12 }
[[bus]]
id = "front"
label = "Maud"
console = 2
start_db = -20
nominal_db = -6
start_mix = { voice = -6, accordion = -12 }
[[bus]]
id = "left"
label = "Tomas and Bela"
console = 3
start_db = -20
nominal_db = -6
start_mix = { accordion = -6, voice = -9, bass = -9 }
[[bus]]
id = "sides"
label = "Side fills"
width = "stereo"
console = 5
start_db = -30
nominal_db = -10
start_mix = { voice = -6, kick = -10, accordion = -9 }
[[performer]]
id = "ines"
name = "Ines"
buses = ["kit"]
[[performer]]
id = "maud"
name = "Maud"
buses = ["front", "sides"]
[[performer]]
id = "tomas"
name = "Tomas"
buses = ["left"]
[[performer]]
id = "bela"
name = "Bela"
buses = ["left"]
"""

STAGE = """\
[stage]
margin_db = 6
temperature_c = 22
mains_v = 230
device_a = 16
"""

MICROPHONES = """\
[[microphone]]
channel = "kick"
at = [0.2, 3.1, 0.4]
aim_deg = [0, -10]
pattern = "supercardioid"
nominal_spl_db = 120
[[microphone]]
channel = "overhead"
at = [0.2, 3.7, 2.1]
aim_deg = [0, -90]
pattern = "cardioid"
nominal_spl_db = 105
[[microphone]]
channel = "bass"
at = [1.9, 2.6, 0.8]
aim_deg = [20, 0]
a = 0.37
nominal_spl_db = 98
[[microphone]]
channel = "accordion"
at = [-1.8, 1.3, 1.1]
aim_deg = [-10, 0]
pattern = "cardioid"
nominal_spl_db = 98
[[microphone]]
channel = "voice"
at = [0.1, 0.9, 1.55]
aim_deg = [0, 10]
pattern = "cardioid"
nominal_spl_db = 100
"""

LOUDSPEAKERS = """\
[[loudspeaker]]
id = "maud-left"
label = "Maud, left"
bus = "front"
at = [-0.6, 0.0, 0.25]
aim_at = [0.1, 1.1, 1.6]
active = false
sensitivity_db = 97
impedance_ohm = 8
power_w = 300
max_spl_db = 124
coverage_deg = 80
[[loudspeaker]]
id = "maud-right"
label = "Maud, right"
bus = "front"
at = [0.8, 0.0, 0.25]
aim_at = [0.1, 1.1, 1.6]
active = false
sensitivity_db = 97
impedance_ohm = 8
power_w = 300
max_spl_db = 124
coverage_deg = 80
[[loudspeaker]]
id = "tomas-wedge"
label = "Tomas"
bus = "left"
at = [-2.2, 0.4, 0.25]
aim_at = [-1.8, 1.6, 1.3]
active = false
sensitivity_db = 96
impedance_ohm = 8
power_w = 250
coverage_deg = 70
[[loudspeaker]]
id = "bela-wedge"
label = "Bela"
bus = "left"
at = [1.9, 1.4, 0.25]
aim_at = [1.9, 3.0, 1.7]
active = false
sensitivity_db = 96
impedance_ohm = 8
power_w = 250
coverage_deg = 70
[[loudspeaker]]
id = "side-left"
label = "Side fill, stage left"
kind = "side fill"
bus = "sides"
side = "left"
at = [3.2, 1.6, 1.7]
aim_deg = [270, -5]
active = true
spl_1m_db = 96
max_spl_db = 126
mains_a = 1.8
[[loudspeaker]]
id = "side-right"
label = "Side fill, stage right"
kind = "side fill"
bus = "sides"
side = "right"
at = [-3.2, 1.6, 1.7]
aim_deg = [90, -5]
active = true
spl_1m_db = 96
max_spl_db = 126
mains_a = 1.8
"""

EARS = """\
[[ear]]
performer = "ines"
at = [0.2, 4.1, 1.4]
in_ears = { bus = "kit", nominal_spl_db = 92, seal_db = 20 }
most_db = 98
[[ear]]
performer = "maud"
at = [0.1, 1.1, 1.6]
most_db = 104
[[ear]]
performer = "tomas"
at = [-1.8, 1.6, 1.3]
[[ear]]
performer = "bela"
at = [1.9, 3.0, 1.7]
"""

AMPLIFIERS = """\
[[amplifier]]
id = "rack"
label = "Monitor rack 1"
channels = 3
power_8_ohm_w = 400
power_4_ohm_w = 700
least_ohm = 4
damping = 300
gain_db = 26
mains_a = 6.5
"""

LINES = """\
[[line]]
from = { bus = "front" }
to = { amplifier = "rack", input = 1 }
cable = "signal"
length_m = 15
connector = "3-pin, latching"
[[line]]
from = { bus = "left" }
to = { amplifier = "rack", input = 2 }
cable = "signal"
length_m = 15
connector = "3-pin, latching"
[[line]]
from = { amplifier = "rack", output = 1 }
to = { loudspeaker = "maud-left" }
cable = "loudspeaker"
length_m = 12
mm2 = 2.5
connector = "twist-lock, 4-pole"
[[line]]
from = { loudspeaker = "maud-left" }
to = { loudspeaker = "maud-right" }
cable = "loudspeaker"
length_m = 3
mm2 = 2.5
connector = "twist-lock, 4-pole"
[[line]]
from = { amplifier = "rack", output = 2 }
to = { loudspeaker = "tomas-wedge" }
cable = "loudspeaker"
length_m = 20
mm2 = 2.5
connector = "twist-lock, 4-pole"
[[line]]
from = { loudspeaker = "tomas-wedge" }
to = { loudspeaker = "bela-wedge" }
cable = "instrument"
length_m = 6
awg = 22
connector = "plain jack"
[[line]]
from = { bus = "sides", side = "left" }
to = { loudspeaker = "side-left" }
cable = "signal"
length_m = 20
connector = "3-pin, latching"
[[line]]
from = { bus = "sides", side = "right" }
to = { loudspeaker = "side-right" }
cable = "signal"
length_m = 25
connector = "3-pin, latching"
"""

WHOLE = HEAD + STAGE + MICROPHONES + LOUDSPEAKERS + EARS + AMPLIFIERS + LINES

WHERE = "ferry-lane.toml"


def rig_of(text: str = WHOLE, *changes: tuple[str, str]) -> Rig:
    """A rig by its text, with parts of it exchanged."""
    for old, new in changes:
        assert text.count(old) == 1, f"{old!r} stands there {text.count(old)} times"
        text = text.replace(old, new)
    return parse_rig(text, WHERE)
