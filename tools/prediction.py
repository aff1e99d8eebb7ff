"""What the two feedback bounds promise, measured on invented stages whose sound really goes round.

    python3 tools/prediction.py [--stages N] [--seed N] [--no-loop]

For each stage: where the power bound and the amplitude bound put the first ring, and where it
really is, with a random sign and up to 10 ms of its own on every path.

The amplitude bound takes all waves as meeting in step. For the paths that are declared it is a
theorem: below it nothing rings, at any frequency. It is far too strict where many paths add up.
The power bound takes waves as meeting at random and is a mean: of all frequencies the unluckiest
one rings, so most stages ring some decibels before it, and the margin has to cover that. Neither
knows what nobody declared: walls and room modes, a hand around a capsule, people who move, boxes
that radiate differently from their coverage angle, an equaliser. A soundcheck measures; these
estimate. Nor does either cover a stereo mix panned to the middle between two loudspeakers that
one microphone hears alike: of two sides the louder one is counted, and in step both add 3 dB.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import numpy as np
from numpy.typing import NDArray

from bridge.simulator.loop import RATE_HZ, SampledAir, growths, struck
from bridge.simulator.stages import random_mix, random_stage
from bridge.stage.headroom import headroom_db, power
from bridge.stage.survey import survey

Real = NDArray[np.float64]
BAND_HZ = (2.0, RATE_HZ / 2.0 - 10.0)


@dataclass(frozen=True)
class Case:
    """An invented stage with a mix; levels in dB by which the whole mix may rise.

    Attributes:
        air: Its paths, with random phases, as the loop has them.
        mix: Effective levels, dB.
        power_db: Where the power bound puts the first ring.
        amplitude_db: Where the amplitude bound puts it.
    """

    air: SampledAir
    mix: Real
    power_db: float
    amplitude_db: float

    def true_db(self) -> float:
        """Where the first ring is."""
        return self.air.reserve_db(self.mix)[0]


def case(seed: int) -> Case:
    """The stage and mix of a seed, surveyed from the same rig text by the code of the bridge."""
    rig = random_stage(seed)
    mix = np.array(random_mix(rig, seed))
    found = survey(rig)
    return Case(
        SampledAir(rig, seed, band_hz=BAND_HZ),
        mix,
        headroom_db(power(mix), found.powers),
        2.0 * headroom_db(power(mix / 2.0), found.amplitudes),
    )


def grown(cases: Iterable[Case], raises_db: Iterable[float], seconds: float = 1.0) -> Real:
    """How fast each stage grows with its mix raised by so many dB, dB/s; below 0 it dies."""
    return growths([struck(one.air, one.mix, raise_db)
                    for one, raise_db in zip(cases, raises_db, strict=True)], seconds)  # fmt: skip


def figures(name: str, values_db: Real) -> str:
    """Mean, deviation and percentiles in one line."""
    low, middle, high = np.percentile(values_db, [5, 50, 95])
    return (
        f"{name:34} mean {values_db.mean():6.2f}  deviation {values_db.std():5.2f}  "
        f"5 % {low:6.2f}  50 % {middle:6.2f}  95 % {high:6.2f}  "
        f"least {values_db.min():6.2f}  most {values_db.max():6.2f}"
    )


def report(cases: list[Case], true_db: Real) -> str:
    """The distributions in words."""
    by_power = true_db - np.array([one.power_db for one in cases])
    by_amplitude = true_db - np.array([one.amplitude_db for one in cases])
    lines = [
        f"{len(cases)} stages, random phases; dB, above 0: it rings later than predicted",
        figures("true ring level - power bound", by_power),
        figures("true ring level - amplitude bound", by_amplitude),
    ]
    for margin_db in (0.0, 3.0, 6.0, 9.0):
        share = float((by_power < -margin_db).mean())
        lines.append(f"a mix {margin_db:g} dB below the power bound rings: {share:6.1%}")
    return "\n".join(lines)


def main() -> int:
    """Print the figures; 1 if a loop did not do what was worked out."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else None)
    parser.add_argument("--stages", type=int, default=200, help="how many stages")
    parser.add_argument("--seed", type=int, default=0, help="the first one's seed")
    parser.add_argument("--no-loop", action="store_true", help="do not let the sound go round")
    args = parser.parse_args()
    cases = [case(seed) for seed in range(args.seed, args.seed + args.stages)]
    true_db = np.array([one.true_db() for one in cases])
    print(report(cases, true_db))
    wrong = int((true_db < np.array([one.amplitude_db for one in cases]) - 1e-6).sum())
    print(f"stages that ring below the amplitude bound: {wrong}")
    if not args.no_loop:
        for name, off_db, sign in (("below", -0.5, -1.0), ("above", 0.5, 1.0)):
            rate = grown(cases, true_db + off_db)
            odd = int((rate * sign <= 0.0).sum())
            wrong += odd
            print(f"0.5 dB {name} it: from {rate.min():.0f} to {rate.max():.0f} dB/s, {odd} odd")
    return 1 if wrong or not math.isfinite(true_db.sum()) else 0


if __name__ == "__main__":
    sys.exit(main())
