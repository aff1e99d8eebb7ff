"""What the soundcheck sees of the mix, and how it wishes: as the engineer, by the rules. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from bridge.mix.engine import Engine
from bridge.mix.gesture import SET, Verdict
from bridge.rig.rig import ENGINEER
from bridge.stage.rings import RingMark
from bridge.units import OFF

HEARD_DB = 0.05
"""Levels nearer than this count as arrived: ramps are told in crumbs of that size."""


class Desk:
    """An engine as the soundcheck uses it.

    Args:
        engine: The rules and levels.
        held: What the console makes of a value that a slot was told.

    Attributes:
        wished: Whether something was wished since the flag was last taken down.
    """

    def __init__(
        self, engine: Engine, held: Callable[[int, float], float] = lambda slot, value: value
    ) -> None:
        self.engine, self.matrix, self._held = engine, engine.matrix, held
        self.wished = False

    # -- wishes ---------------------------------------------------------------------------------

    def wish(self, slot: int, value: float, now_s: float) -> Verdict:
        """A wish of the engineer's, with all the rules that bind the engineer."""
        self.wished = True
        return self.engine.wish(ENGINEER, slot, SET, value, now_s)

    def lift(self, channel: int, bus: int) -> None:
        """Let one pair pass its feedback ceiling, and nothing else."""
        if self.engine.stage is not None:
            self.engine.stage.lift(channel, bus)

    def lower(self) -> None:
        """Put the feedback ceiling back."""
        if self.engine.stage is not None:
            self.wished = True
            self.engine.stage.lower()

    def use_marks(self, marks: tuple[RingMark, ...]) -> None:
        """Have marks bind from now on."""
        if self.engine.stage is not None:
            self.wished = True
            self.engine.stage.use_marks(marks)

    # -- slots ----------------------------------------------------------------------------------

    def send(self, channel: int, bus: int) -> int:
        """The send level of a pair."""
        return self.matrix.send + channel * self.matrix.buses + bus

    def switch(self, channel: int, bus: int) -> int:
        """The switch of a send."""
        return self.matrix.on + channel * self.matrix.buses + bus

    def pan(self, channel: int, bus: int) -> int:
        """Where a send stands between the sides of a bus."""
        return self.matrix.pan + channel * self.matrix.buses + bus

    def master(self, bus: int) -> int:
        """The master of a bus."""
        return self.matrix.master + bus

    # -- what is --------------------------------------------------------------------------------

    def asked(self, slot: int) -> float:
        """Where a value was asked to go."""
        return self.matrix.asked[slot]

    def heard_db(self, slot: int) -> float:
        """A level as the console has it, dB; off when it was never told."""
        told = self.matrix.told[slot]
        return self._held(slot, told) if told == told else OFF

    def arrived(self, slot: int) -> bool:
        """Whether a level stands where it goes now."""
        m = self.matrix
        told, goal = m.told[slot], m.goal[slot]
        return told == goal or abs(told - goal) < HEARD_DB

    def limited(self, slot: int) -> bool:
        """Whether a level goes less far than it was asked to."""
        m = self.matrix
        return m.goal[slot] < m.asked[slot] - HEARD_DB

    def free(self, channel: int, bus: int) -> bool:
        """Whether a send may sound, its bus aside: switched on, not muted, its tap known."""
        return self.engine.gates.send_free(self.send(channel, bus))

    def open(self, bus: int) -> bool:
        """Whether a bus is open for sound."""
        return self.engine.gates.master_free(bus)

    def fader_db(self, channel: int, bus: int) -> float | None:
        """What the channel fader adds to a send, dB: 0 with a tap before it; None: not known."""
        m = self.matrix
        tap = m.tap + channel * m.buses + bus
        told = m.told[tap]
        if not (m.asked[tap] if told != told else told):
            return 0.0
        level_db = m.told[m.fader + channel]
        return None if level_db != level_db else self._held(m.fader + channel, level_db)

    def effective_db(self, channel: int, bus: int) -> float:
        """Send, fader (if post) and master together as the console has them; off behind a gate."""
        if not (self.open(bus) and self.free(channel, bus)):
            return OFF
        return self._sum_db(channel, bus)

    def _sum_db(self, channel: int, bus: int) -> float:
        fader_db = self.fader_db(channel, bus)
        if fader_db is None:
            fader_db = self.engine.rig.file.limits.fader_ceiling_db
        return self.heard_db(self.send(channel, bus)) + self.heard_db(self.master(bus)) + fader_db

    def others(
        self, pairs: Sequence[Sequence[int]], channel: int, bus: int
    ) -> Iterator[tuple[int, int]]:
        """Pairs beside the one under test that may sound now.

        Args:
            pairs: For each bus, the channels whose microphones hear it.
            channel: The channel under test.
            bus: The bus under test.
        """
        floor_db = self.matrix.floor_db
        for b, channels in enumerate(pairs):
            if not channels or not self.open(b) or self.heard_db(self.master(b)) <= floor_db:
                continue
            for c in channels:
                if (c, b) != (channel, bus) and self.effective_db(c, b) > floor_db:
                    yield c, b

    @property
    def running(self) -> bool:
        """Whether the start is over."""
        return self.engine.running()

    @property
    def lost(self) -> bool:
        """Whether the console does not answer."""
        return self.engine.lost

    @property
    def silenced(self) -> bool:
        """Whether "silence all" was pressed, here or anywhere."""
        return bool(self.matrix.asked[self.matrix.silence])

    def down(self) -> bool:
        """Whether the console is known to have every master down."""
        m = self.matrix
        masters = [slot for slot in range(m.master, m.mute) if m.can_set[slot]]
        return all(m.settled[slot] and m.told[slot] <= m.floor_db for slot in masters)

    def rests(self) -> bool:
        """Whether every level is where it goes."""
        return not (self.engine.moving or self.engine.waiting or self.engine.marked)
