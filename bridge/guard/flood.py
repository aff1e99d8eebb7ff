"""Controllers that flood or stick: found, thinned out, named, and let go when they are calm. Pure.

Two faults, told apart: a controller *floods* when it says more than a hand could for some seconds;
a control *sticks* when it goes to and fro between few values for long, as a worn pedal does that
nobody touches. A controller is only counted until it has been busy for a while; only then each of
its moves is looked at.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from bridge.controllers import Controller, Controllers
from bridge.guard.sieve import Sieve

WINDOW_S = 1.0
"""Messages are counted over this time."""

BUSY_PER_S = 10.0
"""A controller that says more than this is worth a closer look; a hand at rest says nothing."""

BUSY_WINDOWS = 3
"""So long it must be busy first, in windows."""

FLOOD_WINDOWS = 5
"""So long a flood must last, in windows: a hand across all faders of a tablet, or a stored scene
of a thousand values, is over by then."""

STUCK_WINDOWS = 10
"""So long a control must go to and fro, in windows: nobody plays with two values that long."""

CALM_WINDOWS = 5
"""So long it must be calm to be let go, in windows."""

CALM_SHARE = 0.5
"""Share of the most that counts as calm: at the edge it must not be named every few seconds."""


class _Meter:
    """How much one controller says.

    Attributes:
        count: Messages since the last look.
        busy, over, calm: Windows in a row that were busy, over the most, calm.
        since_s: Since when it floods.
    """

    __slots__ = ("busy", "calm", "count", "over", "since_s")

    def __init__(self) -> None:
        self.count = self.busy = self.over = self.calm = 0
        self.since_s = math.nan


class Floods:
    """The floods of one run.

    Args:
        controllers: All controllers; ``sieve`` and ``troubled`` are set here.
        most_per_s: More messages than this for some seconds are a flood, messages/s.
        tell: Hears, once each, of a beginning (True) and an end (False), in words.

    Attributes:
        meters: One a controller, in rig order; whoever hears messages adds to ``count``.
        count: How many floods and stuck controls there were.
    """

    def __init__(
        self, controllers: Controllers, most_per_s: float, tell: Callable[[bool, str], None]
    ) -> None:
        self._controllers, self._most, self._tell = controllers, most_per_s, tell
        self.meters = [_Meter() for _ in controllers.all]
        self.count = self._thinned_before = 0
        self._sieves: dict[int, Sieve] = {}
        self._look_s = math.nan

    @property
    def thinned(self) -> int:
        """Moves that went no further, in all."""
        return self._thinned_before + sum(sieve.thinned for sieve in self._sieves.values())

    def advance(self, now_s: float) -> bool:
        """Let time pass: values that waited go on, and counts are looked at.

        Call it some ten times a second.

        Returns:
            Whether anything was put before the rules.
        """
        acted = False
        for number, sieve in self._sieves.items():
            if moves := sieve.due(now_s):
                self._controllers.act(self._controllers.all[number], moves, now_s)
                acted = True
        if self._look_s != self._look_s:
            self._look_s = now_s
        seconds = now_s - self._look_s
        if seconds >= WINDOW_S:
            self._look_s = now_s
            for number in range(len(self.meters)):
                self._look(number, seconds, now_s)
        return acted

    def _look(self, number: int, seconds: float, now_s: float) -> None:
        """Look back at one controller."""
        meter, sieve = self.meters[number], self._sieves.get(number)
        count = meter.count if sieve is None else max(meter.count, sieve.said)
        rate, meter.count = count / seconds, 0
        meter.busy = meter.busy + 1 if rate > BUSY_PER_S else 0
        meter.over = meter.over + 1 if rate > self._most else 0
        meter.calm = meter.calm + 1 if rate <= CALM_SHARE * self._most else 0
        controller = self._controllers.all[number]
        if sieve is None:
            if meter.busy < BUSY_WINDOWS:
                return
            sieve = self._sieves[number] = Sieve(self._controllers.engine)
            controller.sieve = sieve.take
        self._judge_flood(controller, meter, sieve, rate, now_s)
        self._judge_controls(controller, sieve, seconds)
        if sieve.idle and not meter.busy:
            self._thinned_before += sieve.thinned
            del self._sieves[number]
            controller.sieve = None

    def _judge_flood(
        self, controller: Controller, meter: _Meter, sieve: Sieve, rate: float, now_s: float
    ) -> None:
        if not sieve.flooding and meter.over >= FLOOD_WINDOWS:
            sieve.flooding, meter.since_s = True, now_s
            self._begins(controller, f"it floods ({rate:.0f} messages a second), so of each "
                         "control only the newest value passes, ten times a second")  # fmt: skip
        elif sieve.flooding and meter.calm >= CALM_WINDOWS:
            sieve.flooding = False
            self._ends(controller, sieve, f"calm again after {now_s - meter.since_s:.0f} s")

    def _judge_controls(self, controller: Controller, sieve: Sieve, seconds: float) -> None:
        for number, sticks in sieve.look(seconds, STUCK_WINDOWS, CALM_WINDOWS):
            label = controller.words.controls[number].label
            if sticks:
                self._begins(controller, f"its control for {label} sticks (it goes to and fro by "
                             "itself), so its newest value passes twice a second; clean or "
                             "replace it")  # fmt: skip
            else:
                self._ends(controller, sieve, f"its control for {label} rests again")

    def _begins(self, controller: Controller, text: str) -> None:
        self.count += 1
        self._controllers.troubled[controller.name] = text
        self._tell(True, f"{controller.name}: {text}; what gets quieter passes at once")

    def _ends(self, controller: Controller, sieve: Sieve, text: str) -> None:
        """Something is over; what else is wrong with the controller stays named."""
        stuck = [number for number, track in sieve.tracks.items() if track.stuck]
        if not sieve.flooding and not stuck:
            self._controllers.troubled.pop(controller.name, None)
        elif not sieve.flooding:
            label = controller.words.controls[stuck[0]].label
            self._controllers.troubled[controller.name] = f"its control for {label} sticks"
        self._tell(False, f"{controller.name}: {text}; {sieve.thinned} values were thinned out")
