"""Which way a bridge comes back, and why. Pure.

    levels of this run of the machine, fresh, and the console agrees or keeps its levels    warm
    the console can be read and stands elsewhere                                        differing
    everything else                                                                          cold

Differing: of every two levels the lower one stays. What the console has above is lowered at once;
nothing is raised until somebody asks.
"""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from typing import NamedTuple

from bridge.console.kept import COLD, DIFFERING, WARM
from bridge.console.same import same
from bridge.journal.form import STANDS, Past
from bridge.maps.console import ConsoleWords
from bridge.mix.matrix import LEVEL


class Found(NamedTuple):
    """What was found of the time before.

    Attributes:
        past: What was kept; None where nothing can be used.
        why: Why nothing can be used; empty where something can.
        exact: It is the state of the very last moment; else it may be 0.1 s older, as after a
            power cut.
    """

    past: Past | None
    why: str
    exact: bool = False


class Terms(NamedTuple):
    """What the rig declares about it.

    Attributes:
        warm_within_s: For so long levels are taken up again, s.
        keeps_levels: The console keeps its levels while the bridge is away.
    """

    warm_within_s: float
    keeps_levels: bool


def elsewhere(
    words: ConsoleWords, kinds: Sequence[int], told: Sequence[float], heard: Mapping[int, float]
) -> int:
    """How many values the console has otherwise than it was told."""
    return sum(
        told[slot] == told[slot] and not same(kinds[slot], value, words.held(slot, told[slot]))
        for slot, value in heard.items()
        if slot in words.can_set
    )


def unread(words: ConsoleWords, told: Sequence[float], heard: Mapping[int, float]) -> int:
    """How many values the console was told and does not tell."""
    return sum(told[slot] == told[slot] and slot not in heard for slot in words.can_set)


def under_way(
    past: Past, slots: Container[int], kinds: Sequence[int]
) -> tuple[tuple[int, float], ...]:
    """What may not have arrived, of some slots; nothing that would be louder than what was told."""
    return tuple(
        (slot, low)
        for slot, low in past.under_way
        if slot in slots and (kinds[slot] != LEVEL or low <= past.told[slot])
    )


def way(found: Found, terms: Terms, age_s: float, asked: tuple[int, int] | None) -> tuple[str, str]:
    """The way of coming back, and its reason.

    Args:
        found: What was kept.
        terms: What the rig declares.
        age_s: Age of what was kept, s; negative where the clock was set back.
        asked: Where the console was read: how many values it has otherwise than it was told, and
            how many of those that it was told it does not tell. None where it can't be read.
    """
    if found.past is None:
        return COLD, found.why
    if found.past.state != STANDS:
        return COLD, "the last start had not been finished"
    if not 0.0 <= age_s <= terms.warm_within_s:
        kept = f"{age_s:.0f} s old" if age_s >= 0.0 else "from the future: the clock was set back"
        return (
            COLD,
            f"what was kept is {kept}, more than {terms.warm_within_s:g} s are not believed",
        )
    if asked is None:
        return _blind(found.exact, terms.keeps_levels)
    return _read(found.exact, *asked)


def _blind(exact: bool, keeps_levels: bool) -> tuple[str, str]:
    if not exact:
        return COLD, "the power was cut, and the console cannot be asked what it has"
    if not keeps_levels:
        return COLD, "the console cannot be asked whether it still has its levels"
    return WARM, "the console keeps its levels, as the rig declares"


def _read(exact: bool, differing: int, silent: int) -> tuple[str, str]:
    if silent and (differing or not exact):
        return COLD, (
            f"{silent} values cannot be read at this console, "
            + (f"and {differing} others stand elsewhere" if differing else "and the power was cut")
        )
    if differing:
        return DIFFERING, (
            f"{differing} values at the console are not as they were told: the lower level stays"
        )
    return WARM, "the console stands as it was told" + ("" if exact else "; the power was cut")
