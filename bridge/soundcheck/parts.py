"""What the states of a soundcheck share: a place in the plan and a few moves. Pure."""

from __future__ import annotations

import math

from bridge.mix.gesture import REFUSED, explain
from bridge.soundcheck import texts
from bridge.soundcheck.before import Before
from bridge.soundcheck.desk import Desk
from bridge.soundcheck.marks import rounded_db
from bridge.soundcheck.rise import Rise
from bridge.soundcheck.states import Finding, Plan, State
from bridge.units import OFF

REMIND_S = 10.0
"""Time between two words about what is being waited for."""


WIDE_DB = 10.0 * math.log10(2.0)
"""What a pan may add to one side of a bus against the middle, dB (equal power): a pair is tested in
the middle, where neither side is passed over, and kept so much lower, as any pan may follow."""


class Parts:
    """One soundcheck, without its table.

    Args:
        desk: The mix.
        plan: What is to be tested; at least one pair.

    Attributes:
        state: Where it stands.
        said: Texts for the person; emptied by the reader.
        found: What is to be kept; emptied by the reader.
        marks: Ring marks in force, for the way back; set by whoever keeps them.
        before: The mix as it was.
        bus: The mix that is offered or tested.
        place: Which of its microphones.
        rise: What is up.
        done: Pairs that have been tested.
        begun: Whether anything was touched.
        owed_silence: Whether a silence was pressed that could not be told yet.
        text_s: When to say again what goes on, s.
    """

    def __init__(self, desk: Desk, plan: Plan) -> None:
        self.desk, self.plan, self.rig = desk, plan, desk.engine.rig
        self.state = State.WAITING
        self.said: list[str] = []
        self.found: list[Finding] = []
        self.marks = plan.marks
        self.before = Before(desk)
        self.done = set(plan.done)
        self.buses = [b for b, channels in enumerate(plan.pairs) if channels]
        assert self.buses, "there is something to test"
        self.bus = self.buses[0]
        self.place = 0
        self.begun = False
        self.rise: Rise | None = None
        self.owed_silence = False
        self.text_s = -math.inf

    @property
    def pair(self) -> tuple[int, int] | None:
        """The pair that is offered, rises or was tested last; None between mixes."""
        if self.state in (State.READY, State.RISING, State.RANG, State.CLEAR):
            return self.plan.pairs[self.bus][self.place], self.bus
        return None

    def status(self) -> str:
        """Where it stands, and what is up."""
        pair = self.pair
        of = sum(map(len, self.plan.pairs))
        tested = f"{len(self.done)} of {of} pairs tested"
        if pair is None:
            return f"{self.state}; {tested}"
        level = self.desk.effective_db(*pair)
        shown = "off" if level == OFF else f"{level:.1f} dB"
        return f"{self.state}: {texts.pair(self.rig, *pair)}, now {shown}; {tested}"

    def withdrawn(self, channel: int, bus: int) -> None:
        """A mark was withdrawn: its pair counts as not tested."""
        self.done.discard((channel, bus))

    def kept_db(self, level_db: float, bus: int) -> float:
        """A level as it is kept: for the worst pan, and never above what was heard, dB."""
        return rounded_db(level_db - (WIDE_DB if bus in self.plan.wide else 0.0))

    def say(self, text: str) -> None:
        """Tell the person something."""
        self.said.append(text)

    def wish(self, slot: int, value: float, now_s: float) -> None:
        """Wish as the engineer, what was before being kept."""
        self.before.keep(slot)
        verdict = self.desk.wish(slot, value, now_s)
        if verdict.outcome == REFUSED and verdict.rule != "not at the console":
            self.say(explain(verdict, self.rig))

    def down(self, now_s: float) -> None:
        """What rises goes off at once; then the feedback ceiling is back."""
        if self.rise is not None:
            self.rise.off(now_s)
            self.rise = None
        self.desk.lower()

    def press_silence(self, now_s: float) -> None:
        """Press "silence all"; what cannot be told yet is owed."""
        verdict = self.desk.wish(self.desk.matrix.silence, 1.0, now_s)
        self.owed_silence = verdict.outcome == REFUSED

    def hold(self, why: str, now_s: float) -> None:
        """Take everything of this soundcheck down, and wait for ``go``."""
        self.down(now_s)
        self.say(why)
        self.state = State.HELD

    def begin(self) -> None:
        """Before the first touch: remember what is about to be moved."""
        self.before.keep_all()
        self.begun = True

    def close(self, now_s: float, *, but: int = -1) -> None:
        """Close every mix, but perhaps one."""
        m = self.desk.matrix
        for bus in range(m.buses):
            if bus != but:
                self.wish(m.open + bus, 0.0, now_s)

    def choose(self) -> State:
        """Offer the mix that comes next: this one, else the next that has something to test."""
        buses = self.buses
        at = buses.index(self.bus)
        waiting = [bus for bus in buses[at:] + buses[:at] if self.left(bus)]
        if not waiting:
            self.say(texts.all_tested())
            return State.CHOOSE
        self.bus = waiting[0]
        return self.offer()

    def offer(self) -> State:
        """Offer this mix."""
        of = len(self.plan.pairs[self.bus])
        tested = of - len(self.left(self.bus))
        self.say(texts.offered(self.rig, self.bus, tested, of))
        return State.CHOOSE

    def left(self, bus: int) -> list[int]:
        """Places of a bus that have not been tested."""
        channels = self.plan.pairs[bus]
        return [place for place, c in enumerate(channels) if (c, bus) not in self.done]

    def ready(self) -> State:
        """Offer this pair."""
        channels = self.plan.pairs[self.bus]
        place = f"{self.place + 1} of {len(channels)}"
        self.say(texts.ready(self.rig, channels[self.place], self.bus, place))
        return State.READY

    def missing(self) -> str:
        """What a mix still waits for before anything rises in it; empty: nothing."""
        desk, m = self.desk, self.desk.matrix
        floor_db = m.floor_db
        for bus in range(m.buses):
            if bus != self.bus and desk.open(bus) and desk.heard_db(desk.master(bus)) > floor_db:
                return f"{self.rig.bus_label(bus)} is still open"
        for channel in range(m.channels):
            if desk.heard_db(desk.send(channel, self.bus)) > floor_db:
                return f"{self.rig.channel_label(channel)} is still up in it"
        master = desk.master(self.bus)
        if not desk.open(self.bus):
            return "the console has not opened it (muted at the desk?)"
        if not (desk.arrived(master) and desk.heard_db(master) > floor_db):
            return f"its master is on the way, now {desk.heard_db(master):.1f} dB"
        return ""

    def stop(self, now_s: float, why: str) -> State:
        """Take what rises down, say why, and offer the pair again."""
        self.down(now_s)
        self.say(f"Stopped, and off: {why}.")
        return self.ready()
