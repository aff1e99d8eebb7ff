"""A console's mixes as sound: test tones through its own matrix, and through the air. Pure.

Every channel has a tone of its own, a whole number of hertz, at nominal level: a sine of -20 dB
re a full-scale sine, which leaves 20 dB above it. What a mix has of a
channel can be heard by its pitch and measured: a tone that stands in a file at L dB re full scale
has an effective level of L + 20 dB. On a stereo mix pans are of equal power, -3.01 dB in the
middle. With a stage declared, the microphones hear the loudspeakers too, and a mix that rings does.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.rig.rig import Rig
from bridge.simulator.air import Air, Real, pan_gain
from bridge.simulator.loop import Loops, Struck
from bridge.simulator.mixing import Mixing
from bridge.simulator.paths import BOTH, LEFT, RIGHT
from bridge.simulator.recording import Facts

RATE_HZ = 48_000
NOMINAL_DBFS = -20.0
"""A tone at an effective level of 0 dB, re a full-scale sine."""

SNAPSHOT_S = 0.05
"""Time between two looks at the matrix; levels go straight from one to the next."""

HEAR_S_MAX = 60.0
"""Longest that is listened to: a minute of 12 stereo mixes is a quarter of a gigabyte here."""

LOWEST_HZ, OCTAVES = 220, 4


@dataclass(frozen=True, slots=True)
class Sound:
    """What the mixes play.

    Attributes:
        mixes: One a bus: samples x 1 (mono) or x 2 (left, right), within -1..1.
        scaled_db: By how much all were turned down together so that nothing clips, dB, 0 or less.
    """

    mixes: tuple[NDArray[np.float32], ...]
    scaled_db: float


def tones_hz(channels: int) -> tuple[int, ...]:
    """The tone of every channel, Hz: fifths within four octaves, all different."""
    out: list[int] = []
    for n in range(channels):
        hz = round(LOWEST_HZ * 2.0 ** ((n * 7 % (12 * OCTAVES)) / 12.0))
        while hz in out:
            hz += 1
        out.append(hz)
    return tuple(out)


def heard(
    rig: Rig, facts: Facts, snapshots: Sequence[Sequence[float]], seed: int | None = None
) -> Sound:
    """Play the test tones through a console whose values were looked at every ``SNAPSHOT_S``.

    Args:
        rig: What the user declared.
        facts: What is known of the console.
        snapshots: What it held, a value a slot, one or more times.
        seed: Phases of the paths; the bare direct sound when None.
    """
    mixing = Mixing(facts, tuple(bus.tap == "post" for bus in rig.file.bus))
    outputs = [(b, side) for b, bus in enumerate(rig.file.bus)
               for side in ((LEFT, RIGHT) if bus.width == "stereo" else (BOTH,))]  # fmt: skip
    matrices = [_Matrix(mixing, values) for values in snapshots]
    gains = [matrix.gains(outputs) for matrix in matrices]
    played = [
        _sum(gains[max(n - 1, 0)], gains[n], carried).astype(np.float32)
        for n, carried in enumerate(_channels(rig, matrices, seed))
    ]
    whole = np.concatenate(played, axis=1)
    peak = float(np.abs(whole).max(initial=0.0))
    scale = 1.0 / peak if peak > 1.0 else 1.0
    mixes = tuple(
        whole[[o for o, (b, _) in enumerate(outputs) if b == bus]].T * np.float32(scale)
        for bus in range(len(rig.file.bus))
    )
    return Sound(mixes, 20.0 * math.log10(scale))


class _Matrix:
    """The console's matrix at one moment."""

    def __init__(self, mixing: Mixing, values: Sequence[float]) -> None:
        self._amplitudes = np.power(10.0, np.array(mixing.all_db(values)) / 20.0)
        self._pans = np.array(mixing.pans(values))

    def gains(self, outputs: Sequence[tuple[int, int]]) -> Real:
        """Amplitudes of every channel in every output, channels x outputs."""
        columns = [self._amplitudes[:, bus] * pan_gain(self._pans[:, bus], side)
                   for bus, side in outputs]  # fmt: skip
        return np.array(columns).T.reshape(len(self._amplitudes), len(outputs))


def _sum(start: Real, end: Real, carried: Real) -> Real:
    """The outputs, while one matrix goes over into the next: outputs x samples."""
    if np.array_equal(start, end):
        return np.asarray(end.T @ carried)
    way = (np.arange(carried.shape[1]) + 1.0) / carried.shape[1]
    return np.asarray(start.T @ (carried * (1.0 - way)) + end.T @ (carried * way))


def _channels(rig: Rig, matrices: Sequence[_Matrix], seed: int | None) -> Iterator[Real]:
    """What every channel carries between two looks, the air's part in it: channels x samples."""
    count, samples = len(rig.file.channel), round(SNAPSHOT_S * RATE_HZ)
    turns = 2.0 * math.pi / RATE_HZ * np.array(tones_hz(count))[:, None]
    nominal = 10.0 ** (NOMINAL_DBFS / 20.0)
    air = Air(rig, seed)
    loops = _loops(air)
    left_over = np.zeros((count, 0))
    at = 0  # samples that were made
    for number, matrix in enumerate(matrices):
        end = (number + 1) * samples
        if loops is None:
            span = np.arange(end - samples, end)
            yield nominal * np.sin(turns * span)
            continue
        mix = matrix.gains(air.outputs)
        parts = [left_over]
        while at < end:
            span = np.arange(at, at + loops.block)
            parts.append(loops.play(nominal * np.sin(turns * span), mix))
            at += loops.block
        carried = np.concatenate(parts, axis=1)
        left_over = carried[:, samples:]
        yield carried[:, :samples]


def _loops(air: Air) -> Loops | None:
    """The stage's loops, quiet at first; None where no microphone hears a loudspeaker."""
    if not air.ways:
        return None
    silent = np.zeros((air.shape[0], len(air.outputs)))
    return Loops([Struck(air.ways, silent, air.outputs)], None, RATE_HZ)


def pcm_24(samples: NDArray[np.floating]) -> bytes:
    """Samples within -1..1 as 24-bit little-endian whole numbers, as a WAV file holds them."""
    exact = np.clip(samples, -1.0, 1.0).astype(np.float64) * (2**23 - 1)
    whole = np.rint(exact).astype("<i4").reshape(-1, 1)
    return bytes(whole.view(np.uint8)[:, :3].tobytes())
