"""What the witness must know of a stage, and how it stands in a recording's header. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

POWER, AMPLITUDE = "power", "amplitude"
PER_TEN = {POWER: 10.0, AMPLITUDE: 20.0}
"""Decibels for a factor of ten, by the bound."""


@dataclass(frozen=True, slots=True)
class Load:
    """A sum over all buses that must not pass a limit.

    Attributes:
        rule: ``exposure`` or ``amplifier``.
        what: Whose ear, or which loudspeaker.
        weights: What each bus at unity with one channel at nominal adds, as power, one a bus.
        most: Limit of the sum, in the same unit.
    """

    rule: str
    what: str
    weights: tuple[float, ...]
    most: float


@dataclass(frozen=True, slots=True)
class StageFacts:
    """A stage as far as it is judged.

    Attributes:
        margin_db: Distance that must be kept from the first ring, dB.
        bound: ``power`` or ``amplitude``: the unit of ``coupling``.
        coupling: What each bus at unity makes in each channel, channels x buses.
        loads: What ears and amplifiers allow.
        post: Whether a bus is declared to be tapped after the channel faders, one a bus; counts
            where the console's own tap can be neither set nor read.
    """

    margin_db: float
    bound: str
    coupling: tuple[tuple[float, ...], ...]
    loads: tuple[Load, ...] = ()
    post: tuple[bool, ...] = ()

    @property
    def per_ten(self) -> float:
        """Decibels for a factor of ten in the unit of ``coupling``: 10 or 20."""
        return PER_TEN[self.bound]

    @property
    def limit(self) -> float:
        """The largest that the loop may multiply by, in the unit of ``coupling``."""
        return float(10.0 ** (-self.margin_db / self.per_ten))


def words_of(stage: StageFacts) -> dict[str, Any]:
    """A stage as it stands in a header."""
    return {
        "margin_db": stage.margin_db,
        "bound": stage.bound,
        "coupling": stage.coupling,
        "post": stage.post,
        "loads": [{"rule": load.rule, "what": load.what, "weights": load.weights,
                   "most": load.most} for load in stage.loads],
    }  # fmt: skip


def stage_of(words: Mapping[str, Any], shape: tuple[int, int]) -> StageFacts:
    """A stage from a header.

    Raises:
        KeyError, TypeError, ValueError: a part is missing or wrong.
    """
    stage = StageFacts(
        margin_db=_number(words["margin_db"]),
        bound=str(words["bound"]),
        coupling=tuple(_numbers(row, shape[1]) for row in words["coupling"]),
        loads=tuple(
            Load(str(load["rule"]), str(load["what"]), _numbers(load["weights"], shape[1]),
                 _number(load["most"]))
            for load in words["loads"]
        ),
        post=tuple(bool(flag) for flag in words["post"]),
    )  # fmt: skip
    if stage.bound not in PER_TEN or len(stage.coupling) != shape[0]:
        raise ValueError(f"a stage with bound {stage.bound!r} and {len(stage.coupling)} channels")
    return stage


def _number(word: object) -> float:
    if isinstance(word, bool) or not isinstance(word, int | float) or not 0.0 <= word < math.inf:
        raise ValueError(f"{word!r} in a stage")
    return float(word)


def _numbers(words: Sequence[object], count: int) -> tuple[float, ...]:
    if len(words) != count:
        raise ValueError(f"{len(words)} numbers for {count} buses")
    return tuple(_number(word) for word in words)
