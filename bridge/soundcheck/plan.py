"""Which pairs of a rig can ring, and which of them have been tested. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.errors import Fault, RigError
from bridge.rig.rig import Rig
from bridge.soundcheck.marks import Book, ring_marks
from bridge.soundcheck.rise import reach_db
from bridge.soundcheck.states import Plan
from bridge.stage.survey import survey

Pairs = Sequence[Sequence[int]]
"""For each bus, the channels whose microphones hear it."""

NEAR_DB = 0.5
"""Ceilings raised by less than this since a pair was clear ask for no new test."""


def pairs_of(rig: Rig) -> Pairs:
    """For each bus, the channels whose microphones hear it, in the order of the rig.

    Raises:
        RigError: no microphone hears any mix, or the geometry is impossible.
    """
    stage = rig.file.stage
    try:
        heard = survey(rig).powers > 0.0
    except ValueError as problem:
        raise RigError([Fault(rig.at(("stage",)), str(problem), "a possible stage")]) from None
    if stage is None or not heard.any():
        found = "no [stage] on which a microphone hears a loudspeaker"
        expected = "[stage], [[microphone]] and [[loudspeaker]] tables with their levels"
        raise RigError([Fault(rig.where, found, expected)])
    return tuple(
        tuple(c for c in range(heard.shape[0]) if heard[c, b]) for b in range(heard.shape[1])
    )


def done_pairs(book: Book, rig: Rig) -> frozenset[tuple[int, int]]:
    """Pairs that need no test: a mark is in force, or they were clear as far as they can go."""
    channels, buses = rig.layout.channels, rig.layout.buses
    marked = [(channels.index(channel), buses.index(bus)) for channel, bus in book.in_force()]
    clear = [
        (channels.index(channel), buses.index(bus))
        for (channel, bus), clear in book.clear().items()
        if clear.proven_db >= reach_db(rig, buses.index(bus)) - NEAR_DB
    ]
    return frozenset(marked + clear)


def plan_of(rig: Rig, book: Book, *, fresh: bool = False) -> Plan:
    """What is to be tested.

    Args:
        rig: The rig.
        book: Its marks.
        fresh: Test again what has been tested.

    Raises:
        RigError: no microphone hears any mix, or the geometry is impossible.
    """
    pairs = pairs_of(rig)
    margin_db = rig.file.stage.margin_db if rig.file.stage is not None else 6.0
    done = frozenset() if fresh else done_pairs(book, rig)
    possible = frozenset((c, b) for b, cs in enumerate(pairs) for c in cs)
    return Plan(pairs, done & possible, margin_db, ring_marks(book, rig), _wide(rig))


def _wide(rig: Rig) -> frozenset[int]:
    """Buses on which a pan moves sound from one loudspeaker to another."""
    sided = {each.bus for each in rig.file.loudspeaker if each.side != "both"}
    buses = enumerate(rig.file.bus)
    return frozenset(b for b, bus in buses if bus.width == "stereo" and bus.id in sided)
