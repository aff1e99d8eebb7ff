"""Ring marks to equaliser cuts that a person may try at the console. Pure.

A cut costs tone for everybody in that mix, so there are few and they are gentle: the better cure is
a microphone or a loudspeaker that stands or looks elsewhere. The bridge sets no equaliser.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from bridge.soundcheck.marks import Mark
from bridge.stage.bands import band_of
from bridge.stage.filters import NOTCH_PRACTICE, q_of_octaves

CUTS_MAX = 4
"""Most cuts suggested for one mix: after the first few a notch wins little and costs as much tone
(common practice)."""

TOGETHER = 2.0 ** (1.0 / 3.0)
"""Rings of one mix within a third of an octave share a cut."""

PRACTICE = NOTCH_PRACTICE["gentle"]

CAUTION = (
    "A cut costs tone for everybody in that mix: try to move the microphone or the loudspeaker "
    "first, cut as little as helps, and listen. A moved microphone or loudspeaker needs a new "
    "soundcheck."
)


@dataclass(frozen=True, slots=True)
class Cut:
    """One cut to try at the equaliser of a mix.

    Attributes:
        bus: Id of the bus.
        channels: Ids of the channels that rang there, the lowest ring first.
        level_db: The lowest effective level at which one of them rang, dB.
        band: The third-octave band it falls into, nominal frequency as printed at a fader, Hz.
        frequency_hz: Middle of a notch, Hz.
        octaves: Width of the notch, octaves.
        q: The same width as Q.
        depth_db: Gain to begin with, dB.
        step_db: What to add when it rings there again, dB.
    """

    bus: str
    channels: tuple[str, ...]
    level_db: float
    band: str
    frequency_hz: float
    octaves: float
    q: float
    depth_db: float
    step_db: float

    def text(self) -> str:
        """The cut in one line."""
        return (
            f"{self.frequency_hz:.0f} Hz, {self.depth_db:.0f} dB, {self.octaves:.2f} octaves wide "
            f"(Q {self.q:.1f}); on a third-octave equaliser {self.band} Hz; rang: "
            f"{', '.join(self.channels)}, lowest at {self.level_db:.1f} dB"
        )


@dataclass(frozen=True, slots=True)
class Suggestion:
    """What to try for one mix.

    Attributes:
        bus: Id of the bus.
        cuts: At most ``CUTS_MAX``, the lowest ring first.
        left_out: Cuts beyond that number.
        unnamed: Marks in force whose frequency nobody knows.
    """

    bus: str
    cuts: tuple[Cut, ...]
    left_out: int
    unnamed: int


def suggestions(marks: Iterable[Mark]) -> list[Suggestion]:
    """What to try for each mix that rang, in the order of its first mark.

    Args:
        marks: Marks in force.
    """
    by_bus: dict[str, list[Mark]] = {}
    for mark in marks:
        by_bus.setdefault(mark.bus, []).append(mark)
    return [_suggestion(bus, rang) for bus, rang in by_bus.items()]


def _suggestion(bus: str, rang: list[Mark]) -> Suggestion:
    named = [(mark.frequency_hz, mark) for mark in rang if mark.frequency_hz is not None]
    cuts = [_cut(bus, group) for group in _groups(named)]
    cuts.sort(key=lambda cut: (cut.level_db, cut.frequency_hz))
    first = tuple(cuts[:CUTS_MAX])
    return Suggestion(bus, first, len(cuts) - len(first), len(rang) - len(named))


_Named = tuple[float, Mark]


def _groups(named: list[_Named]) -> list[list[_Named]]:
    """Rings, from low to high, in groups no wider than a third of an octave."""
    groups: list[list[_Named]] = []
    for one in sorted(named, key=lambda each: each[0]):
        if groups and one[0] <= groups[-1][0][0] * TOGETHER:
            groups[-1].append(one)
        else:
            groups.append([one])
    return groups


def _cut(bus: str, group: list[_Named]) -> Cut:
    low, high = group[0][0], group[-1][0]
    middle = math.sqrt(low * high)
    octaves = PRACTICE.octaves + math.log2(high / low)
    by_level = sorted((mark for _, mark in group), key=lambda mark: mark.level_db)
    return Cut(
        bus=bus,
        channels=tuple(dict.fromkeys(mark.channel for mark in by_level)),
        level_db=by_level[0].level_db,
        band=band_of(middle).label,
        frequency_hz=middle,
        octaves=octaves,
        q=q_of_octaves(octaves),
        depth_db=PRACTICE.first_db,
        step_db=PRACTICE.step_db,
    )
