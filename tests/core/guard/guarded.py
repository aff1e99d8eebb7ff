"""A house whose console takes everything, with the guard's floods in front of it."""

from __future__ import annotations

from support.whole import KINDS, Run

from bridge.guard.flood import Floods
from bridge.house import House, Roads
from bridge.rig.layout import Parameter
from bridge.wire import osc

INES, MAUD, RUTH = 0, 1, 2
"""Numbers of the controllers of the simulated rig."""


class Guarded:
    """A started house; time is the test's."""

    def __init__(self, most_per_s: float = 200.0) -> None:
        run = Run(1, KINDS["blind"])
        self.rig = run.rig
        self.sent: list[bytes] = []
        roads = Roads(lambda data: self.sent.append(data) is None, [lambda _: True] * 3, True)
        self.house = House(run.rig, run.maps, roads)
        self.said: list[tuple[bool, str]] = []
        self.floods = Floods(
            self.house.controllers, most_per_s, lambda worse, text: self.said.append((worse, text))
        )
        self.now_s = 0.0
        self._beat_s = 0.0
        self.house.console.link_open(0.0)
        self.run(3.0)
        self.said.clear()

    @property
    def troubled(self) -> dict[str, str]:
        return self.house.controllers.troubled

    def slot(self, parameter: Parameter, channel: int, bus: int) -> int:
        return self.rig.layout.slot(parameter, channel, bus)

    def asked(self, slot: int) -> float:
        return self.house.engine.matrix.asked[slot]

    def say(self, number: int, address: str, tags: str = "", *values: float) -> None:
        data = osc.encode(address, tags, values)
        self.floods.meters[number].count += 1
        self.house.from_controller(number, [data], self.now_s, 0.0)
        self.house.settle(self.now_s)

    def run(self, seconds: float, step_s: float = 0.02) -> None:
        """Let time pass, with the guard's beat in it."""
        until_s = self.now_s + seconds
        while self.now_s < until_s - 1e-9:
            self.now_s += step_s
            self.house.wake(self.now_s)
            if self.now_s >= self._beat_s:
                self._beat_s = self.now_s + 0.1
                if self.floods.advance(self.now_s):
                    self.house.settle(self.now_s)
