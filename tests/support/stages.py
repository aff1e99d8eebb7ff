"""A small invented stage for the small invented house, and random ones."""

from __future__ import annotations

import numpy as np

from bridge.mix.engine import Engine
from bridge.rig.layout import Parameter
from bridge.rig.rig import parse_rig
from bridge.stage import headroom
from support.house import House, everything

STAGED = """
[rig]
name = "Ferry Lane, the small stage"

[limits]
send_ceiling_db = 10
master_ceiling_db = 10
rise_db_per_s = 40
step_db = 1
ramp_floor_db = -60

[[channel]]
id = "voice"
label = "Voice"
console = 1
[[channel]]
id = "accordion"
label = "Accordion"
console = 2
[[channel]]
id = "click"
label = "Click"
console = 3

[[bus]]
id = "front"
label = "Maud"
console = 1
start_db = -20
start_mix = {{ voice = -10 }}
[[bus]]
id = "left"
label = "Tomas"
console = 2
start_db = -20
[[bus]]
id = "ears"
label = "Ines"
console = 3
start_db = -20

[[performer]]
id = "maud"
name = "Maud"
buses = ["front"]
[[performer]]
id = "ines"
name = "Ines"
buses = ["ears"]

[[group]]
id = "singers"
bus = "front"
channels = ["voice", "accordion"]

[console]
map = "none.toml"
send = "udp://192.0.2.10:9000"
channel_mute_cuts = ["post"]

[stage]
margin_db = 6
{stage}

[[microphone]]
channel = "voice"
at = [0.0, 0.0, 1.6]
aim_at = [0.0, 0.1, 1.6]
pattern = "cardioid"
nominal_spl_db = 94
[[microphone]]
channel = "accordion"
at = [1.5, 0.5, 0.9]
aim_at = [1.5, 0.9, 0.9]
pattern = "supercardioid"
nominal_spl_db = 90

[[loudspeaker]]
id = "front-wedge"
bus = "front"
active = true
at = [0.0, -1.0, 0.2]
aim_at = [0.0, 0.4, 1.6]
spl_1m_db = 104
{wedge}
[[loudspeaker]]
id = "left-wedge"
bus = "left"
active = true
at = [1.6, -0.8, 0.2]
aim_at = [1.5, 0.9, 1.4]
spl_1m_db = 96

[[ear]]
performer = "maud"
at = [0.0, 0.25, 1.65]
{ear}
[[ear]]
performer = "ines"
at = [-1.5, 1.5, 1.3]
in_ears = {{ bus = "ears", nominal_spl_db = 95 }}
"""
"""Four places to fill in: more of the stage, of the front wedge, of Maud's ear."""


def staged_text(stage: str = "", wedge: str = "", ear: str = "") -> str:
    """The rig with further keys of the stage."""
    return STAGED.format(stage=stage, wedge=wedge, ear=ear)


class StagedHouse(House):
    """A house with a stage, whose console confirms at once and loses nothing."""

    def __init__(
        self, text: str | None = None, *, late_s: float = 0.0, confirms: bool = True
    ) -> None:
        super().__init__(text or staged_text(), confirms=confirms)
        self.rig = parse_rig(text or staged_text(), "staged.toml")
        self.engine = Engine(self.rig, can_set=everything(self.rig), late_s=late_s)

    @property
    def stage(self):  # type: ignore[no-untyped-def]
        assert self.engine.stage is not None
        return self.engine.stage

    def effective(self, values: list[float]) -> np.ndarray:
        """Effective levels, dB, of told or asked values: written apart from the rules."""
        m = self.engine.matrix
        levels = np.full((m.channels, m.buses), -np.inf)
        for c in range(m.channels):
            for b in range(m.buses):
                cell = c * m.buses + b
                post = values[m.tap + cell] >= 0.5
                fader = values[m.fader + c] if post else 0.0
                fader = self.rig.file.limits.fader_ceiling_db if fader != fader else fader
                send, master = values[m.send + cell], values[m.master + b]
                if send == send and master == master:
                    levels[c, b] = send + fader + master
        return levels

    def headroom_db(self) -> float:
        """Distance to the first ring with what the console was told, by eigenvalues."""
        e = 10.0 ** (self.effective(self.engine.matrix.told) / 10.0)
        h = self.stage.survey.powers
        rho = max(abs(np.linalg.eigvals(e.T @ h)))
        return float("inf") if rho == 0 else float(-10.0 * np.log10(rho))

    def silence(self) -> None:
        self.wish(-1, self.slot(Parameter.SILENCE), 1.0)


__all__ = ["STAGED", "StagedHouse", "headroom", "staged_text"]
