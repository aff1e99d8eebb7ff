"""From a rig and an address map to the header that the witness judges by. Pure.

It reads what the user declared, and works out limits by itself: the bridge's own idea of them is
what is to be judged.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

from bridge.rig.layout import Parameter
from bridge.rig.rig import Rig
from bridge.simulator.boxes import loads
from bridge.simulator.paths import coupling, paths
from bridge.simulator.recording import Facts
from bridge.simulator.scales import scales
from bridge.simulator.stage_facts import AMPLITUDE, PER_TEN, StageFacts

LEVELS = (Parameter.CHANNEL_FADER, Parameter.SEND_LEVEL, Parameter.BUS_MASTER)


class Reach(Protocol):
    """What is needed of a compiled address map."""

    can_set: frozenset[int]
    can_read: frozenset[int]
    bytes_per_s: float
    messages_per_s: float

    def held(self, slot: int, value: float) -> float:
        """What the console understands of a value that it is told."""


@dataclass(frozen=True, slots=True)
class Road:
    """What is known of the way between bridge and console.

    Attributes:
        delay_s: Longest time that a word is under way, s.
        news_s: Longest time until the bridge knows what the desk did or that a fault happened, s;
            never less than the delay.
        burst_s: How much of the budget may go out at once, as time, s.
    """

    delay_s: float = 0.0
    news_s: float = 0.0
    burst_s: float = 0.1


def facts_from(
    rig: Rig,
    words: Reach,
    values: Sequence[float],
    road: Road | None = None,
    *,
    cold: bool = True,
    marks: Iterable[tuple[int, int, float]] = (),
) -> Facts:
    """The facts to judge a run by.

    Args:
        rig: What the user declared.
        words: The compiled address map of the console, read from the bridge's end.
        values: What the console holds at first, a value a slot.
        road: The way between bridge and console; an ideal one when missing.
        cold: The run begins with a bridge that starts cold.
        marks: Ring marks in force: channel, bus, and the effective level that rang alone, dB.
    """
    road = road or Road()
    file, limits, console = rig.file, rig.file.limits, rig.file.console
    levels = [slot for parameter in LEVELS for slot in rig.layout.slots(parameter)
              if slot in words.can_set]  # fmt: skip
    top_db = max(limits.send_ceiling_db, limits.master_ceiling_db, limits.fader_ceiling_db)
    all_scales, scale_of = scales(words.held, levels, floor_db=limits.ramp_floor_db, top_db=top_db)
    return Facts(
        layout=rig.layout,
        values=tuple(values),
        can_set=words.can_set,
        can_read=words.can_read if console.readback else frozenset(),
        send_ceiling_db=tuple(_stricter(bus.send_ceiling_db, limits.send_ceiling_db)
                              for bus in file.bus),
        master_ceiling_db=tuple(_stricter(bus.master_ceiling_db, limits.master_ceiling_db)
                                for bus in file.bus),
        start_db=tuple(bus.start_db for bus in file.bus),
        rise_db_per_s=_paces(rig, "rise_db_per_s"),
        step_db=_paces(rig, "step_db"),
        auto_open=tuple(bus.auto_open for bus in file.bus),
        fader_ceiling_db=limits.fader_ceiling_db,
        fader_rise_db_per_s=limits.rise_db_per_s,
        fader_step_db=limits.step_db,
        ramp_floor_db=limits.ramp_floor_db,
        mute_cuts=frozenset(console.channel_mute_cuts),
        scales=all_scales,
        scale_of=scale_of,
        delay_s=road.delay_s,
        news_s=max(road.news_s, road.delay_s),
        bytes_per_s=console.bytes_per_s or words.bytes_per_s,
        messages_per_s=console.messages_per_s or words.messages_per_s,
        burst_s=road.burst_s,
        cold=cold,
        stage=stage_from(rig, marks),
    )  # fmt: skip


def _paces(rig: Rig, key: str) -> tuple[float, ...]:
    """The strictest of what the rig, a bus and those who hear it declare, a bus."""
    paces = []
    for bus in rig.file.bus:
        said: list[float | None] = [getattr(rig.file.limits, key), getattr(bus, key)]
        said += [getattr(one, key) for one in rig.file.performer if bus.id in one.buses]
        paces.append(min(value for value in said if value is not None))
    return tuple(paces)


def stage_from(rig: Rig, marks: Iterable[tuple[int, int, float]] = ()) -> StageFacts | None:
    """What is judged of a rig's stage; None without one.

    Args:
        rig: What the user declared.
        marks: Ring marks in force; of several on one pair the lowest level counts.
    """
    said = rig.file.stage
    if said is None:
        return None
    shape = len(rig.file.channel), len(rig.file.bus)
    rows = [list(row) for row in coupling(paths(rig), shape, amplitudes=said.bound == AMPLITUDE)]
    for channel, bus, level_db in sorted(marks, key=lambda mark: -mark[2]):
        rows[channel][bus] = 10.0 ** (-level_db / PER_TEN[said.bound])
    post = tuple(bus.tap == "post" for bus in rig.file.bus)
    return StageFacts(said.margin_db, said.bound, tuple(map(tuple, rows)), tuple(loads(rig)), post)


def _stricter(own_db: float | None, rig_db: float) -> float:
    return rig_db if own_db is None else min(own_db, rig_db)
