"""Wishes and what becomes of them, in words that a performer understands. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

from bridge import units
from bridge.rig.layout import FLIP, KINDS, SET, STEP, Kind
from bridge.rig.rig import Rig

__all__ = ["FLIP", "SET", "STEP", "Verdict", "explain"]

TAKEN, LIMITED, REFUSED = 0, 1, 2
"""Outcomes of a verdict."""

OUTCOMES = ("taken", "limited", "refused")


class Verdict(NamedTuple):
    """What became of a wish.

    Attributes:
        outcome: ``TAKEN``, ``LIMITED`` or ``REFUSED``.
        slot: The parameter.
        who: Number of the performer, -1 the engineer.
        wanted: The value wished for.
        level: The value that it will have.
        rule: Name of the binding rule, a key of ``RULES``; empty when taken.
        left_db: How far a level that rose may still go, dB; NaN where this was not asked.
        near: The rule that it would meet there; empty where this was not asked.
    """

    outcome: int
    slot: int
    who: int
    wanted: float
    level: float
    rule: str
    left_db: float = math.nan
    near: str = ""


RULES: dict[str, str] = {
    "rig ceiling": "the house limit is {level}",
    "bus ceiling": "the limit of this mix is {level}",
    "own ceiling": "your limit is {level}",
    "post-fader ceiling": "the channel fader is up, so the limit is {level} now",
    "feedback": "more would ring: a microphone hears this mix, and the limit is {level} now",
    "exposure": "the sound at an ear is at its declared limit with {level}",
    "amplifier": "the loudspeaker or its amplifier is at its most with {level}",
    "past feedback": "the desk took the stage past its margin, so nothing may rise now",
    "past exposure": "the desk took an ear past its declared limit, so nothing may rise now",
    "past amplifier": "the desk took a loudspeaker past its most, so nothing may rise now",
    "group ceiling": "one of the group is at its limit",
    "group floor": "the others are down already, so nothing is left to gain",
    "not yours": "this is not yours to move",
    "engineer ceiling": "the engineer's limit is {level} now",
    "room window": "this room keeps to its preset, so it stays at {level}",
    "own window": "your window around the engineer's mix ends at {level}",
    "no presets": "this rig names no presets",
    "preset busy": "other presets are still being recalled",
    "held": "the engineer has taken this mix over",
    "frozen": "the engineer has frozen the mixes",
    "engineer only": "only the engineer may do this",
    "no number": "the control sent no number",
    "not at the console": "the console cannot be told this",
    "console unread": "the console has not been read yet",
    "console silent": "the console does not answer, so nothing may rise",
    "no sound": "no sound level meter says this",
    "no ear here": "no ear is declared there that this could be the level of",
    "no such parameter": "there is no such parameter",
}
"""Every rule that can bind, with its words; a verdict without a row here is a defect."""


NEAR: dict[str, str] = {
    "rig ceiling": "limit of the house",
    "bus ceiling": "limit of this mix",
    "own ceiling": "own limit",
    "engineer ceiling": "engineer's limit",
    "own window": "edge of the own window",
    "room window": "edge of the room's window",
    "post-fader ceiling": "limit that the channel fader leaves",
    "feedback": "feedback limit",
    "exposure": "limit at an ear",
    "amplifier": "most that the loudspeaker gives",
}
"""What a level may come near to, as people read it."""


def explain(verdict: Verdict, rig: Rig) -> str:
    """A verdict in one line: who, what, outcome and why."""
    kind = KINDS[rig.layout.place(verdict.slot).parameter][0]

    def shown(value: float) -> str:
        return _SHOWN[kind](value) if value < math.inf else "no number"

    line = (
        f"{rig.person(verdict.who)}: {rig.name(verdict.slot)} "
        f"to {shown(verdict.wanted)}: {OUTCOMES[verdict.outcome]}"
    )
    if verdict.outcome == TAKEN:
        if not verdict.near:
            return line
        return f"{line}, {verdict.left_db:.1f} dB below the {NEAR[verdict.near]}"
    why = RULES[verdict.rule].format(level=shown(verdict.level))
    stays = f", stands at {shown(verdict.level)}" if verdict.outcome == LIMITED else ""
    return f"{line}{stays}: {why}"


_SHOWN: dict[Kind, Callable[[float], str]] = {
    Kind.LEVEL: units.text,
    Kind.SWITCH: lambda value: "on" if value >= 0.5 else "off",
    Kind.TAP: lambda value: "post" if value >= 0.5 else "pre",
    Kind.PAN: lambda value: f"{value:+.2f}",
    Kind.SOUND: lambda value: f"{value:.1f} dB(A)",
}
