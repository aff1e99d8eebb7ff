"""The soundcheck itself: a table of states, words in, wishes and texts out. Pure.

    waiting -> choose -> preparing -> ready -> rising -> rang | clear -> ready (next) ... choose
    every state --silence--> held --go--> preparing, from low      every state --quit--> leaving

A person says a word, time passes, and the procedure wishes as the engineer: everything that rises
does so by the engine's rules. One rule is lifted, for one pair, while it rises: the feedback
ceiling, for otherwise its ring could never be reached.
"""

from __future__ import annotations

from collections.abc import Callable

from bridge.soundcheck import texts
from bridge.soundcheck.desk import Desk
from bridge.soundcheck.parts import REMIND_S, Parts
from bridge.soundcheck.rise import Course, Rise
from bridge.soundcheck.states import Finding, Plan, Said, State, Word
from bridge.soundcheck.words import TABLE

REACTION_S = 0.5
"""A person presses a key about so long after a ring begins; the mark is the level of that moment,
which is the lower and so the safer one."""

RISING_TEXT_S = 2.0
"""Time between two words about the level that rises."""

_STOPS = {
    Course.MOVED: "somebody else moved its level",
    Course.CLOSED: "the mix was closed or muted",
    Course.STUCK: "the level does not follow (microphone muted? mix muted at the desk?)",
}

_SOUNDING = frozenset(State) - {State.WAITING, State.HELD, State.LEAVING, State.LEFT}
"""States in which something of the soundcheck may be up."""


class Procedure(Parts):
    """One soundcheck: words in, time in, wishes and texts out.

    Args:
        desk: The mix.
        plan: What is to be tested; at least one pair.
    """

    def __init__(self, desk: Desk, plan: Plan) -> None:
        super().__init__(desk, plan)
        self._ticks: dict[State, Callable[[float], State]] = {
            State.WAITING: self._wait,
            State.PREPARING: self._prepare_further,
            State.RISING: self._rise_further,
            State.RESTORING: self._restore_further,
        }

    def hear(
        self, word: Word, now_s: float, hz: float | None = None, *, reaction_s: float = REACTION_S
    ) -> None:
        """Take a word.

        Args:
            word: What was said.
            now_s: This moment, s.
            hz: With ``ring`` and ``tone``: the frequency, Hz.
            reaction_s: With ``ring``: so long ago it began to ring, s; 0 for a detector.
        """
        row = TABLE[self.state]
        act = row.get(word) or row.get(Word.OTHER)
        if act is None:
            words = ", ".join(f"`{one}`" for one in row)
            self.say(f"`{word}` does nothing while {self.state}; what does: {words}.")
            return
        self.state = act(self, Said(word, now_s, hz, now_s - reaction_s))

    def advance(self, now_s: float) -> None:
        """Let time pass; several times a second, and after each word."""
        if self.owed_silence:
            self.press_silence(now_s)
        if self.state in _SOUNDING:
            if self.desk.lost:
                self.hold("The console does not answer: everything of this soundcheck is held "
                           "down. `go` begins again from low when it is back.", now_s)  # fmt: skip
            elif self.desk.silenced:
                self.hold("Silence was pressed. `go` begins again from low.", now_s)
        tick = self._ticks.get(self.state)
        if tick is not None:
            self.state = tick(now_s)

    def _wait(self, now_s: float) -> State:
        if self.desk.running and not self.desk.lost:
            return self.choose()
        if now_s >= self.text_s:
            self.text_s = now_s + REMIND_S
            self.say("The console has not been read yet; nothing is told before. Waiting.")
        return State.WAITING

    def _prepare_further(self, now_s: float) -> State:
        missing = self.missing()
        if not missing:
            return self.ready()
        if now_s >= self.text_s:
            self.text_s = now_s + REMIND_S
            self.say(texts.waits(self.rig, self.bus, missing))
        return State.PREPARING

    def _rise_further(self, now_s: float) -> State:
        rise = self.rise
        assert rise is not None, "something rises while rising"
        channel, bus = rise.channel, rise.bus
        course = rise.advance(now_s)
        other = next(self.desk.others(self.plan.pairs, channel, bus), None)
        if other is not None:
            return self.stop(now_s, f"{texts.pair(self.rig, *other)} came up meanwhile")
        if course is Course.TOP:
            return self._mark_clear(rise, now_s)
        if course is not Course.RISING:
            return self.stop(now_s, _STOPS[course])
        if now_s >= self.text_s:
            self.text_s = now_s + RISING_TEXT_S
            self.say(texts.rising(self.rig, channel, bus, rise.now_db()))
        return State.RISING

    def _mark_clear(self, rise: Rise, now_s: float) -> State:
        pair = rise.channel, rise.bus
        level_db = self.kept_db(rise.now_db(), rise.bus)
        self.down(now_s)
        self.found.append(Finding("clear", *pair, level_db))
        self.done.add(pair)
        self.say(texts.clear(self.rig, *pair, level_db))
        if any((mark.channel, mark.bus) == pair for mark in self.marks):
            self.say(texts.older_mark(self.rig, *pair))
        return State.CLEAR

    def _restore_further(self, _: float) -> State:
        if not self.desk.rests():
            return State.RESTORING
        self.say("The mix from before is back, as far as the rules and the new marks allow.")
        return State.LEFT
