"""The promises as a state machine: anybody does anything at any time, and a witness holds levels.

The witness below shares nothing with the engine: it keeps what the console was told until the next
word, compares every word with the moment just before it, and knows of gates only what was told.
"""

import math

import hypothesis.strategies as st
from hypothesis import HealthCheck, settings
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule
from support.house import House

from bridge.mix.gesture import FLIP, SET, STEP
from bridge.rig.layout import Parameter as P
from bridge.units import OFF

FLOOR_DB = -60.0
SLACK_DB = 1e-6

levels = st.one_of(
    st.floats(-95.0, 12.0), st.sampled_from([OFF, math.inf, math.nan, -6.0, 0.0, 1e300])
)

WHERE = House().layout
FEW_SLOTS = st.sampled_from(
    [WHERE.slot(P.SEND_LEVEL, c, b) for c in (0, 1) for b in (0, 1, 2)] * 2
    + [WHERE.slot(p, c, b) for p in (P.SEND_ON, P.SEND_TAP) for c in (0, 1) for b in (0, 2)]
    + [WHERE.slot(P.BUS_MASTER, -1, b) for b in (0, 1, 2)]
    + [WHERE.slot(P.CHANNEL_FADER, c) for c in (0, 1)]
    + [WHERE.slot(P.CHANNEL_MUTE, c) for c in (0, 1)]
    + [WHERE.slot(P.SILENCE), WHERE.slot(P.FREEZE), WHERE.slot(P.GROUP, 0), -1, WHERE.size]
)
"""Few places, so that what somebody does meets what somebody else did there."""


class Witness:
    """Judges a stream of words to a console."""

    def __init__(self, house: House) -> None:
        self.house = house
        self.layout = house.layout
        self.value: dict[int, float] = {}
        self.bucket: dict[int, tuple[float, float]] = {}  # slot: (base dB, at s)
        self.judged = 0

    def heard(self, slot: int) -> float:
        """A level as the room hears it, the ramp floor when a gate is closed in front of it."""
        place = self.layout.place(slot)
        gates: list[tuple[int, float]] = []
        if place.parameter is P.BUS_MASTER:
            gates = [(self.layout.slot(P.BUS_MUTE, -1, place.bus), 0.0)]
        elif place.parameter is P.SEND_LEVEL:
            gates = [(self.layout.slot(P.SEND_ON, place.channel, place.bus), 1.0)]
            if self.value.get(self.layout.slot(P.SEND_TAP, place.channel, place.bus)) == 1.0:
                gates.append((self.layout.slot(P.CHANNEL_MUTE, place.channel), 0.0))
        if any(self.value.get(gate, wanted) != wanted for gate, wanted in gates):
            return FLOOR_DB
        return max(self.value.get(slot, OFF), FLOOR_DB)

    def speed(self, slot: int) -> tuple[float, float]:
        place = self.layout.place(slot)
        slow = place.bus == 1
        return (3.0, 0.5) if slow else (6.0, 1.0)

    def behind(self, slot: int) -> list[int]:
        """Levels whose hearing a word may change."""
        p, channel, bus = self.layout.place(slot)
        buses = range(len(self.layout.buses))
        if p in (P.SEND_ON, P.SEND_TAP, P.SEND_LEVEL):
            return [self.layout.slot(P.SEND_LEVEL, channel, bus)]
        if p is P.CHANNEL_MUTE:
            return [self.layout.slot(P.SEND_LEVEL, channel, b) for b in buses]
        if p in (P.BUS_MUTE, P.BUS_MASTER):
            return [self.layout.slot(P.BUS_MASTER, -1, bus)]
        return [slot] if p is P.CHANNEL_FADER else []

    def word(self, at_s: float, slot: int, value: float) -> None:
        before = {s: self.heard(s) for s in self.behind(slot)}
        self.ceiling(slot, value)
        self.value[slot] = value
        for s, old in before.items():
            rise, step = self.speed(s)
            base, since = self.bucket.get(s, (FLOOR_DB, at_s))
            base = min(old, base + rise * (at_s - since))
            new = self.heard(s)
            self.judged += 1
            assert new <= base + step + SLACK_DB, (
                f"{self.layout.name(s)} rose to {new} from {old}, {base + step} allowed"
            )
            self.bucket[s] = (min(base, new), at_s)

    def ceiling(self, slot: int, value: float) -> None:
        p, _channel, bus = self.layout.place(slot)
        if p is P.BUS_MASTER:
            assert value <= (-3.0, 3.0, 3.0)[bus]
        elif p is P.SEND_LEVEL:
            assert value <= (0.0, 6.0, 6.0)[bus]
        elif p is P.CHANNEL_FADER:
            assert value <= 10.0

    def desk(self, at_s: float, slot: int, value: float) -> None:
        """The desk's own doing: taken as it is."""
        levels = self.behind(slot)
        self.value[slot] = value
        for s in levels:
            self.bucket[s] = (self.heard(s), at_s)


class AnybodyDoesAnything(RuleBasedStateMachine):
    waits = False

    def __init__(self) -> None:
        super().__init__()
        self.house = House(wait_for_word=self.waits, confirms=False)
        self.witness = Witness(self.house)
        self.unconfirmed: list[int] = []
        self.judged = 0
        self.lost = False
        self.house.engine.begin({}, 0.0)
        self.settle_for(0.2)
        for bus in (0, 1):
            self.house.engine.wish(-1, self.house.layout.slot(P.BUS_OPEN, -1, bus), SET, 1, 0.2)
        self.settle_for(3.0)

    def listen(self) -> None:
        self.house.pump()
        for at_s, slot, value in self.house.words[self.judged :]:
            self.witness.word(at_s, slot, value)
            self.unconfirmed.append(slot)
        self.judged = len(self.house.words)

    @rule(
        who=st.sampled_from([-1, -1, 0, 1]),
        slot=FEW_SLOTS,
        action=st.sampled_from([SET, STEP, FLIP]),
        value=levels,
    )
    def somebody_wishes(self, who: int, slot: int, action: int, value: float) -> None:
        self.house.engine.wish(who, slot, action, value, self.house.now_s)
        self.listen()

    @rule(
        bus=st.integers(0, 2),
        parameter=st.sampled_from([P.BUS_OPEN, P.BUS_MUTE, P.BUS_DIM]),
        value=st.sampled_from([0.0, 1.0]),
    )
    def the_engineer_switches(self, bus: int, parameter: P, value: float) -> None:
        slot = self.house.layout.slot(parameter, -1, bus)
        self.house.engine.wish(-1, slot, SET, value, self.house.now_s)
        self.listen()

    @rule(seconds=st.sampled_from([0.0, 0.001, 0.02, 0.3, 2.0, 3600.0]))
    def time_passes_without_a_call(self, seconds: float) -> None:
        self.house.now_s += seconds

    def settle_for(self, seconds: float) -> None:
        """Time passes on a console that confirms each word within a tick."""
        until_s = self.house.now_s + seconds
        while self.house.now_s < until_s:
            self.the_console_confirms_everything()
            if self.house.engine.next_wake_s() == math.inf:
                self.house.now_s = until_s
                return
            self.the_loop_ticks(0.02)

    @rule(seconds=st.sampled_from([0.1, 0.4, 1.5]))
    def all_goes_well_for_a_while(self, seconds: float) -> None:
        self.settle_for(seconds)

    @rule(
        switch=st.sampled_from([P.SEND_ON, P.SEND_TAP, P.CHANNEL_MUTE, P.BUS_MUTE, P.BUS_OPEN]),
        channel=st.integers(0, 1),
        bus=st.integers(0, 2),
        between_s=st.sampled_from([0.0, 0.05, 1.0]),
    )
    def somebody_plays_with_a_switch(
        self, switch: P, channel: int, bus: int, between_s: float
    ) -> None:
        slot = self.house.layout.slot(switch, channel, bus)
        self.house.engine.wish(-1, slot, FLIP, 0.0, self.house.now_s)
        self.listen()
        self.settle_for(between_s)
        self.house.engine.wish(-1, slot, FLIP, 0.0, self.house.now_s)
        self.listen()

    @rule(seconds=st.floats(0.02, 4.0))
    def the_loop_ticks(self, seconds: float) -> None:
        until_s = self.house.now_s + seconds
        while self.house.now_s < until_s:
            if self.house.engine.next_wake_s() == math.inf:
                self.house.now_s = until_s  # nothing will happen meanwhile
                return
            self.house.now_s += 0.02
            self.house.engine.advance(self.house.now_s)
            self.listen()

    @rule()
    def the_console_confirms_everything(self) -> None:
        for slot in self.unconfirmed:
            self.house.engine.settle(slot, self.house.now_s)
        self.unconfirmed.clear()
        self.listen()

    @rule(slot=st.integers(0, 60), value=st.floats(-90.0, 10.0))
    def the_desk_moves(self, slot: int, value: float) -> None:
        layout = self.house.layout
        p, _channel, _bus = layout.place(slot)
        if slot not in {s for s in layout if self.house.engine.matrix.can_set[s]}:
            return
        if p not in (P.CHANNEL_FADER, P.SEND_LEVEL, P.BUS_MASTER, P.SEND_PAN):
            value = float(value > -40.0)
        self.unconfirmed = [s for s in self.unconfirmed if s != slot]
        self.witness.desk(self.house.now_s, slot, value)
        self.house.engine.desk(slot, value, self.house.now_s)
        self.listen()

    @rule(back=st.booleans())
    def the_console_comes_and_goes(self, back: bool) -> None:
        engine = self.house.engine
        if not self.lost:
            engine.console_lost()
        elif back:
            self.unconfirmed.clear()
            engine.console_back(dict(self.witness.value), self.house.now_s)
        self.lost = not (self.lost and back)
        self.listen()

    @invariant()
    def the_last_check_never_had_to_hold_anything_back(self) -> None:
        assert self.house.engine.outgoing.faults == 0

    @invariant()
    def told_is_what_the_console_was_told(self) -> None:
        told = self.house.engine.matrix.told
        for slot, value in self.witness.value.items():
            assert told[slot] == value


class AnybodyDoesAnythingAndWordsAreConfirmed(AnybodyDoesAnything):
    waits = True


plenty = settings(
    max_examples=200,
    stateful_step_count=50,
    deadline=None,
    suppress_health_check=list(HealthCheck),
)
AnybodyDoesAnything.TestCase.settings = plenty
AnybodyDoesAnythingAndWordsAreConfirmed.TestCase.settings = plenty
TestAnybody = AnybodyDoesAnything.TestCase
TestAnybodyConfirmed = AnybodyDoesAnythingAndWordsAreConfirmed.TestCase
