"""Recordings made by hand, for the tests of the witness."""

from __future__ import annotations

from typing import Any

from bridge.rig.layout import Layout, Parameter
from bridge.simulator import recording
from bridge.simulator.findings import Findings
from bridge.simulator.recording import Facts
from bridge.simulator.stand_in import power_on_values
from bridge.simulator.witness import judge

LAYOUT = Layout(("drums", "accordion"), ("kit", "wedge"))
FADER, CHANNEL_MUTE = Parameter.CHANNEL_FADER, Parameter.CHANNEL_MUTE
SEND, ON, TAP = Parameter.SEND_LEVEL, Parameter.SEND_ON, Parameter.SEND_TAP
MASTER, MUTE, OPEN = Parameter.BUS_MASTER, Parameter.BUS_MUTE, Parameter.BUS_OPEN
SILENCE, PAN = Parameter.SILENCE, Parameter.SEND_PAN
OFF = float("-inf")
SETTABLE = (FADER, CHANNEL_MUTE, SEND, ON, TAP, MASTER, MUTE)
SEND_0 = LAYOUT.slot(SEND, 0, 0)
MASTER_0 = LAYOUT.slot(MASTER, bus=0)


def settable(*parameters: Parameter) -> frozenset[int]:
    """All slots of these parameters."""
    return frozenset(slot for parameter in parameters for slot in LAYOUT.slots(parameter))


def facts(values: dict[int, float] | None = None, **more: Any) -> Facts:
    """A small rig; 6 dB/s and 1 dB as the defaults of the plan, and a warm start."""
    held = power_on_values(LAYOUT)
    for slot in LAYOUT.slots(FADER):
        held[slot] = 0.0
    for slot, value in (values or {}).items():
        held[slot] = value
    usual: dict[str, Any] = {
        "layout": LAYOUT,
        "values": tuple(held),
        "can_set": settable(*SETTABLE),
        "can_read": settable(*SETTABLE),
        "send_ceiling_db": (0.0, -3.0),
        "master_ceiling_db": (3.0, 0.0),
        "start_db": (-40.0, -40.0),
        "rise_db_per_s": (6.0, 3.0),
        "step_db": (1.0, 1.0),
        "auto_open": (True, False),
        "cold": False,
    }
    return Facts(**{**usual, **more})


class Tape:
    """A recording in the making."""

    def __init__(self, declared: Facts | None = None) -> None:
        self.facts = declared or facts()
        self.lines: list[dict[str, Any]] = [recording.header_of(self.facts)]

    def told(self, at_s: float, slot: int, value: float, **more: Any) -> Tape:
        """A word arrives."""
        self.lines.append({**recording.told(at_s, slot, value), **more})
        return self

    def lost(self, at_s: float, slot: int, value: float, seq: int) -> Tape:
        """A word is lost."""
        self.lines.append(recording.lost(at_s, slot, value, seq, at_s))
        return self

    def desk(self, at_s: float, slot: int, value: float, **more: Any) -> Tape:
        """The desk's own doing."""
        self.lines.append(recording.desk(at_s, slot, value, **more))
        return self

    def note(self, at_s: float, text: str, **about: Any) -> Tape:
        """A note."""
        self.lines.append(recording.note(at_s, text, **about))
        return self

    def add(self, line: dict[str, Any]) -> Tape:
        """Any line."""
        self.lines.append(line)
        return self

    def ramp(self, at_s: float, slot: int, levels: tuple[float, float], rise: float) -> Tape:
        """A ramp in ticks of 20 ms, from the first level to the second one."""
        low_db, high_db = levels
        count = round((high_db - low_db) / rise / 0.02)
        for i in range(count + 1):
            self.told(at_s + i * 0.02, slot, low_db + (high_db - low_db) * i / count)
        return self

    def judged(self) -> Findings:
        """What the witness says; the recording goes through its text form."""
        texts = [recording.text_of(line) for line in self.lines]
        return judge(recording.lines_of(texts))

    def found(self) -> dict[str, int]:
        """Breaches, counted a promise."""
        return self.judged().counts


def slot(parameter: Parameter, channel: int = -1, bus: int = -1) -> int:
    """A slot of the small rig."""
    return LAYOUT.slot(parameter, channel, bus)
