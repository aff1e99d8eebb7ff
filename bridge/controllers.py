"""The hands' side of the bridge: control messages to wishes, and values back to lamps. Pure.

Every change is shown to every controller that can show it, except to the one that caused it while
it moves: a motor must not fight a finger. When the control has been still for a moment it is shown
what became of its wish.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterable

from bridge import limits
from bridge.maps.controller import ControllerWords
from bridge.maps.move import Move
from bridge.maps.turns import ALWAYS
from bridge.mix.engine import Engine
from bridge.mix.gesture import REFUSED, TAKEN, Verdict
from bridge.mix.takeover import Takeover
from bridge.wire.pacing import Budget

SHOWN_MESSAGES_PER_S = 500.0
"""Values shown to one controller a second: enough for every lamp, too few to fill a MIDI wire."""


class Controller:
    """One controller: what it says, whose hands are on it, what it was last shown.

    Args:
        name: Its id in the rig.
        who: Performer's number, -1 the engineer.
        words: Its map, compiled.
        send: Hands one message to its link; False when it was not taken.

    Attributes:
        taught: It is being learned at: its movements teach and do not mix.
        sieve: Thins out what it says while it floods; None while it is calm.
    """

    def __init__(
        self, name: str, who: int, words: ControllerWords, send: Callable[[bytes], bool]
    ) -> None:
        self.name, self.who, self.words, self.send = name, who, words, send
        self.moves = 0
        self.taught = False
        self.sieve: Callable[[list[Move]], list[Move]] | None = None
        self.shows = dict.fromkeys(sorted(words.shows))
        words.on_turn = self._turned
        self._takeovers = {
            number: Takeover(control.takeover)
            for number, control in enumerate(words.controls)
            if control.takeover in ("pickup", "scaled") and control.law is not None
        }
        self._show_again_s = self._due_s = math.inf
        self._touched_s: dict[int, float] = {}
        self._to_show: dict[int, None] = {}
        self._shown: dict[int, tuple[bytes, ...]] = {}
        self._budget = Budget(messages_per_s=SHOWN_MESSAGES_PER_S)

    def wanted(self, move: Move, asked_db: float) -> float:
        """The value that a move wants after its takeover; NaN while the control has not caught."""
        takeover = self._takeovers.get(move.control)
        if takeover is None or move.position != move.position:
            return move.value
        law = self.words.controls[move.control].law
        assert law is not None, "takeovers are for levels"
        at = 0.0 if asked_db != asked_db else law.position(asked_db)
        wanted = takeover.touch(move.position, at)
        if wanted == move.position:
            return move.value  # it holds the level: its own word, and no detour over the law
        return wanted if wanted != wanted else law.db(wanted)

    def catches(self, move: Move) -> bool:
        """Whether a move goes through a takeover that may hold it back."""
        return move.control in self._takeovers

    def touched(self, slot: int, now_s: float) -> None:
        """Its control moved: show it this slot again once it is still."""
        self._touched_s[slot] = now_s
        self.show_later(slot)

    def show_later(self, slot: int) -> None:
        """A value changed that this controller can show."""
        self._to_show[slot] = None
        self._due_s = min(self._due_s, self._quiet_s(slot))

    def show_all(self, now_s: float) -> None:
        """It has just been plugged in: everything it can show is news.

        And once more a little later: a device, or the driver's connection to it, that has just
        come may not listen yet. Its controls may have been moved meanwhile, so each must take its
        level over anew.
        """
        self._let_go(range(len(self.words.controls)))
        self._show_again_s = now_s + limits.SHOW_AGAIN_S
        self._forget_shown()

    def _forget_shown(self) -> None:
        self._shown.clear()
        self._to_show = dict.fromkeys((*self.shows, *self.words.lamps))
        self._due_s = -math.inf

    def _turned(self) -> None:
        """Other controls speak now: each must take its level over anew, and lamps change."""
        controls = enumerate(self.words.controls)
        self._let_go(number for number, control in controls if control.turn != ALWAYS)
        for slot in self.words.turning:
            self._shown.pop(slot, None)
            self._to_show[slot] = None
        self._due_s = -math.inf

    def _let_go(self, numbers: Iterable[int]) -> None:
        """Controls no longer hold their levels, and nobody knows where they stand."""
        for number in numbers:
            if number in self._takeovers:
                self._takeovers[number] = Takeover(self.words.controls[number].takeover)

    def show(self, stands: Callable[[int], float], now_s: float) -> None:
        """Show what may be shown now, each parameter where it stands."""
        if now_s >= self._show_again_s:
            self._show_again_s = math.inf
            self._forget_shown()
        if now_s < self._due_s:
            return
        self._due_s = math.inf
        for slot in list(self._to_show):
            quiet_s = self._quiet_s(slot)
            if now_s < quiet_s:
                self._due_s = min(self._due_s, quiet_s)
            elif self._shows_now(slot, stands(slot) if slot >= 0 else 0.0, now_s):
                del self._to_show[slot]
            else:
                self._due_s = now_s + limits.TICK_S
                return

    def _quiet_s(self, slot: int) -> float:
        """When the control of a slot has been still for long enough to be shown something."""
        return self._touched_s.get(slot, -math.inf) + limits.TOUCH_QUIET_S

    def _shows_now(self, slot: int, value: float, now_s: float) -> bool:
        """Show a value; False when the link has no room for it now."""
        messages = () if value != value else self.words.feedback(slot, value)
        if not messages or messages == self._shown.get(slot):
            return True
        if not self._budget.may(now_s, len(messages), sum(map(len, messages))):
            return False
        self._budget.spend(now_s, len(messages), sum(map(len, messages)))
        if not all([self.send(message) for message in messages]):
            return False
        self._shown[slot] = messages
        return True

    def next_wake_s(self, now_s: float) -> float:
        """When something that waits may be shown, or a long press becomes long."""
        due_s = max(self._due_s, now_s + limits.TICK_S) if self._to_show else math.inf
        return min(self.words.next_wake_s(), self._show_again_s, due_s)


class Controllers:
    """All controllers, the one road from a message to a verdict.

    Attributes:
        verdicts: The last verdicts that are worth showing: what was limited or refused, and what
            was taken, newest last.
        counts: How many wishes were taken, limited and refused.
        on_verdict: Hears of every verdict that was not simply taken.
        gestures: How many wishes came from hands, not from a sound level meter.
        troubled: Controllers that are thinned out, by name, with the reason in words.
    """

    def __init__(self, engine: Engine, on_verdict: Callable[[str, Verdict], None]) -> None:
        self.engine = engine
        self.all: list[Controller] = []
        self.verdicts: deque[tuple[float, str, Verdict]] = deque(maxlen=limits.VERDICTS_KEPT)
        self.counts = [0, 0, 0]
        self.on_verdict = on_verdict
        self.gestures = 0
        self.troubled: dict[str, str] = {}
        self._showing: dict[int, list[Controller]] = {}

    def add(self, controller: Controller) -> None:
        """Take a controller in."""
        self.all.append(controller)
        for slot in controller.shows:
            self._showing.setdefault(slot, []).append(controller)

    def exchange(self, number: int, words: ControllerWords, now_s: float) -> None:
        """From now on a controller means this: what it held is let go, its levels caught anew."""
        old = self.all[number]
        new = Controller(old.name, old.who, words, old.send)
        new.taught, new.moves = old.taught, old.moves
        self.all[number] = new
        self._showing.clear()
        for one in self.all:
            for slot in one.shows:
                self._showing.setdefault(slot, []).append(one)
        new.show_all(now_s)

    def receive(self, controller: Controller, data: bytes, now_s: float) -> None:
        """Take one message of a controller's."""
        words = controller.words
        unknown = words.unknown, words.last_unknown
        moves = words.decode(data, now_s)
        if controller.taught:  # what is being learned means nothing yet, and that is no fault
            words.unknown, words.last_unknown = unknown
        if controller.sieve is not None:
            moves = controller.sieve(moves)
        if moves:
            self.act(controller, moves, now_s)

    def act(self, controller: Controller, moves: Iterable[Move], now_s: float) -> None:
        """Put moves before the rules, and remember what became of them."""
        engine, wish = self.engine, self.wish
        sound, hold = engine.matrix.sound, engine.matrix.hold
        if controller.taught:  # whoever learns must still be able to make it quiet
            quiet = engine.matrix.silence
            moves = [move for move in moves if move.slot == quiet or sound <= move.slot < hold]
        for move in moves:
            _, slot, action, value, position = move
            controller.moves += 1
            if not sound <= slot < hold:
                self.gestures += 1
            if position == position and controller.catches(move):
                value = controller.wanted(move, engine.groups.stands(slot))
                if value != value:
                    continue
            wish(controller.name, controller.who, slot, action, value, now_s)
            if slot in controller.shows:
                controller.touched(slot, now_s)

    def wish(
        self, name: str, who: int, slot: int, action: int, value: float, now_s: float
    ) -> Verdict:
        """Put one wish before the rules, and remember what became of it.

        Args:
            name: What it came through: a controller's id, ``page``, ``preset``.
            who: Performer's number, -1 the engineer.
            slot: What to move.
            action: ``SET``, ``STEP`` or ``FLIP``.
            value: As the engine's ``wish`` wants it.
            now_s: This moment, s.
        """
        engine = self.engine
        verdict = engine.wish(who, slot, action, value, now_s)
        outcome = verdict[0]
        self.counts[outcome] += 1
        self.verdicts.append((now_s, name, verdict))
        if outcome != TAKEN:
            self.on_verdict(name, verdict)
            if outcome == REFUSED:
                engine.news[verdict.slot] = None
        return verdict

    def advance(self, now_s: float) -> None:
        """Let time pass: long presses become long; ``show`` must follow."""
        for controller in self.all:
            moves = controller.words.advance(now_s)
            if moves:
                self.act(controller, moves, now_s)

    def show(self, now_s: float) -> None:
        """Spread the news to those who can show them."""
        if self.engine.late:
            self._say_late(now_s)
        news, groups = self.engine.news, self.engine.groups
        if news:
            groups.follow(news)
            for slot in news:
                for controller in self._showing.get(slot, ()):
                    controller.show_later(slot)
            news.clear()
        for controller in self.all:
            controller.show(groups.stands, now_s)

    def _say_late(self, now_s: float) -> None:
        """Tell what became of wishes that were taken before the room for them was gone."""
        late, self.engine.late = self.engine.late, []
        for verdict in late:
            self.counts[verdict.outcome] += 1
            self.verdicts.append((now_s, "stage", verdict))
            self.on_verdict("stage", verdict)

    def next_wake_s(self, now_s: float) -> float:
        """When ``advance`` has something to do next."""
        return min((c.next_wake_s(now_s) for c in self.all), default=math.inf)
