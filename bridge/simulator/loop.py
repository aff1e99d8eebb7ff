"""Sound that goes round on a stage, sample by sample, so that feedback really grows or dies. Pure.

Channel, send, mix, loudspeaker, air, microphone, and again: every path with its delay (between two
samples by a straight line) and its signed amplitude, every channel behind a gentle high-pass, as
on any stage. Nothing is computed about stability: the loops are struck once, left alone, and the
energy tells. Many stages run side by side as one array.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike, NDArray

from bridge.simulator.air import Air, Complex, Real
from bridge.simulator.paths import Path

RATE_HZ = 16_000
"""Samples a second: all of the band in which stages ring."""

HIGH_PASS_HZ = 80.0
"""Corner of the high-pass in every channel (first order): no loudspeaker radiates a steady push."""

SEGMENT_S = 0.05
"""Energy is looked at over such spans; longer than the slowest path."""

STRUCK_S = 0.05
"""How long the noise lasts that strikes the loops."""

COMPANY = 15
"""Stages that run side by side."""

BLOCK_MAX = 256
"""Most samples that are worked out together."""

BLOCKS_KEPT = 64
"""Blocks between two tidyings of what is remembered."""

Whole = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Struck:
    """One stage with its mix, to be struck.

    Attributes:
        ways: Its paths; each side of a bus is an output of its own.
        mix: Amplitudes of every channel in every output, channels x outputs.
        outputs: Bus and side of each output.
    """

    ways: Sequence[Path]
    mix: Real
    outputs: Sequence[tuple[int, int]]


def struck(air: Air, effective_db: ArrayLike, raise_db: float = 0.0) -> Struck:
    """A stage of ``Air`` with a mix, the whole of it raised by so many dB."""
    return Struck(air.ways, air.mix(effective_db) * 10.0 ** (raise_db / 20.0), air.outputs)


class Loops:
    """Many stages side by side.

    Attributes:
        at_s: How long they have been running, s.
        block: Samples that are worked out together: as many as the shortest path is long.
    """

    def __init__(
        self, stages: Sequence[Struck], seed: int | None = 1, rate_hz: int = RATE_HZ
    ) -> None:
        """Put the stages together and strike them.

        Args:
            stages: One or more, each with at least one path, none shorter than a sample.
            seed: The noise that strikes them; None leaves them quiet.
            rate_hz: Samples a second.

        Raises:
            ValueError: a path is shorter than a sample.
        """
        self._rate_hz = rate_hz
        first_channel, first_output, rows, cells = 0, 0, [], []
        starts = []
        for stage in stages:
            starts.append(first_output)
            channels, outputs = stage.mix.shape
            for way in stage.ways:
                output = stage.outputs.index((way.bus, way.side))
                whole, part = divmod(way.delay_s * rate_hz, 1.0)
                rows.append((first_channel + way.channel, first_output + output, whole, part,
                             way.gain))  # fmt: skip
            cells += [(first_output + o, first_channel + c, stage.mix[c, o])
                      for o in range(outputs) for c in range(channels)]  # fmt: skip
            first_channel, first_output = first_channel + channels, first_output + outputs
        self._starts: Whole = np.array(starts)
        self._channels, self._outputs = first_channel, first_output
        self._wire(np.array(sorted(rows)), np.array(sorted(cells)))
        self._strike(seed)

    def _wire(self, rows: Real, cells: Real) -> None:
        self._heard, self._heard_starts = np.unique(rows[:, 0].astype(np.int64), return_index=True)
        self._from: Whole = rows[:, 1].astype(np.int64)
        self._whole: Whole = rows[:, 2].astype(np.int64)
        self._far = (rows[:, 3] * rows[:, 4])[:, None]
        self._near = rows[:, 4][:, None] - self._far
        self._fed, self._fed_starts = np.unique(cells[:, 0].astype(np.int64), return_index=True)
        self._source: Whole = cells[:, 1].astype(np.int64)
        self._level = cells[:, 2][:, None]
        self.block = min(int(self._whole.min()), BLOCK_MAX)
        if self.block < 1:
            raise ValueError(
                f"shortest path: found {self._whole.min()} samples, expected 1 or more"
            )
        longest = int(self._whole.max()) + 1 + self.block
        self._longest = longest
        pole = _pole(self._rate_hz)
        # y[k] = pole y[k-1] + b (x[k] - x[k-1]), all of a block at once: within BLOCK_MAX samples
        # the powers of the pole stay below ten thousand.
        steps = np.arange(self.block)
        self._pole, self._falling = pole, pole**steps
        self._rising = (1.0 + pole) / 2.0 * pole ** -(steps * 1.0)

    def _strike(self, seed: int | None) -> None:
        self._noise = np.random.default_rng(seed)
        self._past = np.zeros((self._outputs, self._longest + BLOCKS_KEPT * self.block))
        self._spans = sliding_window_view(self._past, self.block + 1, axis=1)
        self._at = self._longest
        self._last_in = np.zeros((self._channels, 1))
        self._last_out = np.zeros((self._channels, 1))
        self._n = 0
        self.at_s = 0.0
        self._carried = np.zeros((self._channels, self.block))
        self._left = 0 if seed is None else round(STRUCK_S * self._rate_hz)

    def _step(self, sources: Real | None = None) -> Real:
        """One block of samples; the outputs' new samples."""
        if self._at + self.block > self._past.shape[1]:
            self._past[:, : self._longest] = self._past[:, self._at - self._longest : self._at]
            self._at = self._longest
        spans = self._spans[self._from, self._at - self._whole - 1]
        arriving = self._near * spans[:, 1:] + self._far * spans[:, :-1]
        heard = np.zeros((self._channels, self.block))
        heard[self._heard] = np.add.reduceat(arriving, self._heard_starts, axis=0)
        if self._left > 0:
            heard += self._noise.standard_normal(heard.shape)
            self._left -= self.block
        change = np.diff(heard, axis=1, prepend=self._last_in)
        summed = np.cumsum(change * self._rising, axis=1)
        sent = (summed + self._pole * self._last_out) * self._falling
        self._last_in, self._last_out = heard[:, -1:], sent[:, -1:]
        if sources is not None:  # a channel that is overdriven clips, as converters do
            sent = self._carried = np.clip(sent + sources, -1.0, 1.0)
        fed = np.zeros((self._outputs, self.block))
        fed[self._fed] = np.add.reduceat(self._level * sent[self._source], self._fed_starts, axis=0)
        self._past[:, self._at : self._at + self.block] = fed
        self._at += self.block
        self._n += self.block
        self.at_s = self._n / self._rate_hz
        return fed

    def run(self, seconds: float) -> Real:
        """Let them run, and give their levels: stages x segments of ``SEGMENT_S``, dB, any zero.

        Each stage is brought back to the same level after each segment, so that neither growth nor
        decay runs out of numbers; the levels given go on as if it had not been.
        """
        blocks = max(1, round(SEGMENT_S * self._rate_hz / self.block))
        gained, out = np.zeros(self._starts.size), []
        for _ in range(max(1, round(seconds / SEGMENT_S))):
            energy = np.zeros(self._outputs)
            for _ in range(blocks):
                fed = self._step()
                energy += np.einsum("ij,ij->i", fed, fed)
            total = np.add.reduceat(energy, self._starts)
            with np.errstate(divide="ignore"):
                out.append(10.0 * np.log10(total) + gained)
            gained += self._level_out(total)
        return np.array(out).T

    def listen(self, seconds: float) -> Real:
        """Let them run for a while as they are: what the outputs play, outputs x samples."""
        blocks = max(1, round(seconds * self._rate_hz / self.block))
        return np.concatenate([self._step() for _ in range(blocks)], axis=1)

    def play(self, sources: Real, mix: Real) -> Real:
        """One block with sound of the channels' own, one stage alone.

        Args:
            sources: What stands before each microphone, channels x ``block`` samples.
            mix: Amplitudes of every channel in every output from now on.

        Returns:
            What each channel carries, the air's part in it; nothing passes full scale, 1.
        """
        self._level = mix.T.reshape(-1, 1)
        self._step(sources)
        return self._carried

    def _level_out(self, total: Real) -> Real:
        """Bring every stage to the same energy; by how many dB it is louder than it now looks."""
        factor = np.where(total > 0.0, 1.0 / np.sqrt(np.where(total > 0.0, total, 1.0)), 1.0)
        each = np.repeat(factor, np.diff(self._starts, append=self._outputs))
        self._past *= each[:, None]
        owner = np.zeros(self._channels)
        owner[self._source] = each[np.repeat(self._fed, np.diff(
            self._fed_starts, append=self._source.size))]  # fmt: skip
        self._last_in, self._last_out = (
            self._last_in * owner[:, None],
            self._last_out * owner[:, None],
        )
        return np.asarray(-20.0 * np.log10(factor))


def growths(stages: Sequence[Struck], seconds: float = 1.0, seed: int = 1) -> Real:
    """Strike stages, let them run, and say how fast each grows (above 0) or dies, dB/s.

    They run in small companies: what fits into a processor's cache goes four times as fast.
    """
    out = [growth_db_per_s(Loops(stages[first : first + COMPANY], seed + first).run(seconds))
           for first in range(0, len(stages), COMPANY)]  # fmt: skip
    return np.concatenate(out)


def growth_db_per_s(levels_db: Real) -> Real:
    """How fast each stage grows (above 0) or dies, dB/s: the slope of the last half of a run.

    ``-inf`` where nothing is left at all.
    """
    late = levels_db[:, levels_db.shape[1] // 2 :]
    at_s = np.arange(late.shape[1]) * SEGMENT_S
    away = at_s - at_s.mean()
    dead = ~np.isfinite(late).all(axis=1)
    slope = np.where(np.isfinite(late), late, 0.0) @ away / (away @ away)
    return np.where(dead, -math.inf, slope)


class SampledAir(Air):
    """The same air as ``Loops`` has it: delays between samples by a straight line, a high-pass."""

    def response(self, hz: ArrayLike) -> Complex:
        """As ``Air.response``, with what the samples and the high-pass do."""
        at = np.atleast_1d(np.asarray(hz, dtype=np.float64))
        back = np.exp(-2j * math.pi * at / RATE_HZ)
        pole = _pole(RATE_HZ)
        passed = (1.0 + pole) / 2.0 * (1.0 - back) / (1.0 - pole * back)
        out = np.zeros((at.size, self.shape[0], len(self.outputs)), dtype=np.complex128)
        for way in self.ways:
            whole, part = divmod(way.delay_s * RATE_HZ, 1.0)
            whole_turns = np.exp(-2j * math.pi * whole / RATE_HZ * at)
            turned = way.gain * whole_turns * ((1.0 - part) + part * back) * passed
            out[:, way.channel, self.outputs.index((way.bus, way.side))] += turned
        return out


def _pole(rate_hz: int) -> float:
    """Pole of the high-pass (bilinear transform): its gain is 1 at the top and less below."""
    warped = math.tan(math.pi * HIGH_PASS_HZ / rate_hz)
    return (1.0 - warped) / (1.0 + warped)
