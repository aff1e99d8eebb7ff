"""Ring marks: where ears have measured the coupling that geometry only predicts. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from bridge.stage.spectral import Array, powers


class RingMark(NamedTuple):
    """A ring that was heard: this channel alone in this bus, at this effective level.

    Attributes:
        channel: Number of the channel, from 0.
        bus: Number of the bus, from 0.
        effective_db: Send, fader (if post) and master together when it began to ring, dB.
    """

    channel: int
    bus: int
    effective_db: float


@dataclass(frozen=True, slots=True)
class Couplings:
    """What the geometry predicts, what ears have measured, and what is in force.

    Attributes:
        predicted: Coupling by geometry, power ratio, channels x buses.
        measured: Coupling by ring marks; NaN where nobody heard a ring.
        in_force: The measured value where there is one, else the predicted one.
    """

    predicted: Array
    measured: Array
    in_force: Array

    def is_measured(self, channel: int, bus: int) -> bool:
        """Whether a ring mark is in force there."""
        return not math.isnan(self.measured[channel, bus])


def couplings(predicted: ArrayLike, marks: Iterable[RingMark] = ()) -> Couplings:
    """Put ring marks over a predicted coupling: measured beats predicted.

    A pair that rang at an effective level had a loop gain of 1 there, so its coupling is
    ``10^(-effective / 10)``. Of several marks on one pair the lowest level binds.

    Args:
        predicted: Coupling by geometry, power ratio, channels x buses.
        marks: Rings that were heard.

    Raises:
        ValueError: a mark names no channel or bus, or its level is not finite.
    """
    model = powers(predicted, "coupling")
    measured = np.full_like(model, np.nan)
    for mark in marks:
        rows, columns = model.shape
        if not (0 <= mark.channel < rows and 0 <= mark.bus < columns):
            raise ValueError(
                f"ring mark: found channel {mark.channel}, bus {mark.bus}, "
                f"expected below {rows} and {columns}"
            )
        if not math.isfinite(mark.effective_db):
            raise ValueError(f"ring mark, dB: found {mark.effective_db}, expected a finite level")
        strength = 10.0 ** (-mark.effective_db / 10.0)
        place = mark.channel, mark.bus
        measured[place] = np.fmax(measured[place], strength)
    return Couplings(model, measured, np.where(np.isnan(measured), model, measured))


def in_force(
    powers: ArrayLike, amplitudes: ArrayLike, marks: Iterable[RingMark], per_ten: float
) -> Array:
    """The coupling in force in the unit of a bound: measured where somebody heard a ring.

    A ring alone says how strong one pair is, whatever the phases: as an amplitude it is the root.

    Args:
        powers: Predicted coupling as power ratios.
        amplitudes: The same as sums of amplitudes.
        marks: Rings that were heard.
        per_ten: 10 for powers, 20 for amplitudes.

    Raises:
        ValueError: as ``couplings``.
    """
    found = couplings(powers, marks)
    if per_ten == 10.0:
        return found.in_force.copy()
    model = np.asarray(amplitudes, np.float64)
    return np.where(np.isnan(found.measured), model, np.sqrt(found.in_force))
