"""From everything that was heard to what was moved, the likeliest first. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from bridge.learning.finding import MOVING, TREMBLING, Ask, Finding, Group, Sure
from bridge.learning.midi_guess import midi_groups
from bridge.learning.osc_guess import osc_groups
from bridge.learning.watch import FLOOD_PER_S, Watch

FINDINGS_MAX = 9
"""Most possibilities that a person is shown: as many as one key can choose."""


@dataclass(frozen=True, slots=True)
class Guess:
    """What was moved.

    Attributes:
        findings: What it can be, the likeliest first; empty where nothing was understood.
        ask: What the person could do to make the first one surer; None where nothing is needed.
        notes: What else was heard, in words.
    """

    findings: tuple[Finding, ...]
    ask: Ask | None
    notes: tuple[str, ...]


def guess(watch: Watch) -> Guess:
    """What a watched controller's control can be."""
    groups, notes = _groups(watch)
    notes += _floods(watch)
    if watch.left_out:
        notes.append(f"{watch.left_out} messages more than are kept; the newest count")
    notes += [f"{what}: {count} times, no map can be learned from it"
              for what, count in watch.meaningless.items()]  # fmt: skip
    if not groups:
        return Guess((), None, tuple(notes))
    groups.sort(key=lambda one: (one.moves, one.weight), reverse=True)
    first, rest = groups[0], groups[1:]
    ask = first.ask if first.findings[0].sure is not Sure.CERTAIN else None
    others = [one.findings[0] for one in rest if one.moves == MOVING]
    still = [one.findings[0].words for one in rest if one.moves == TREMBLING]
    notes += [f"{words} trembles; it is left out" for words in still]
    also = [one.at_most(Sure.UNSURE, "it moved as well") for one in others]
    findings = (*_once([*first.findings, *also]),)
    return Guess(findings[:FINDINGS_MAX], ask, tuple(notes))


def _groups(watch: Watch) -> tuple[list[Group], list[str]]:
    takes = [take for take in watch.takes if take.traces]
    midi = any(isinstance(key, tuple) for take in takes for key in take.traces)
    return midi_groups(takes) if midi else osc_groups(takes)


def _floods(watch: Watch) -> list[str]:
    """Who says more than a hand can move."""
    fastest = max((trace.per_s for take in watch.takes for trace in take.traces.values()),
                  default=0.0)  # fmt: skip
    if fastest < FLOOD_PER_S:
        return []
    return [f"it sends up to {fastest:.0f} messages a second: more than a MIDI wire should carry"]


def _once(findings: list[Finding]) -> Iterator[Finding]:
    """Each possibility once."""
    seen: set[str] = set()
    for one in findings:
        if one.told not in seen:
            seen.add(one.told)
            yield one
