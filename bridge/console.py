"""The console's side of the bridge: what it is told, what it said, whether it lives. Pure.

    reading --(every question answered)--> live --(silence)--> lost --(a word)--> reading

Nothing is told before the console was read, if it can be read at all. Each word is then *settled*
once the console has confirmed it (by repeating it, or when asked), once it was told often enough
where nothing comes back, or at once on a link that loses nothing.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from bridge import limits
from bridge.maps.console import ALIVE, ConsoleWords, Heard
from bridge.mix.engine import Engine
from bridge.mix.matrix import LEVEL, RAISE
from bridge.units import OFF
from bridge.wire.conversation import Echoes, Unsettled
from bridge.wire.pacing import ASK, REPEAT, Budget, SlotQueue

READING, LIVE, LOST = "reading", "live", "lost"
UNLIMITED = Budget()


@dataclass(frozen=True, slots=True)
class Terms:
    """How the console and its link are dealt with.

    Attributes:
        readback: The console answers questions.
        reliable: The link loses nothing while it is open.
        answer_s: Silence after which the console counts as lost, s.
    """

    readback: bool
    reliable: bool
    answer_s: float


class Console:
    """One console, told through ``send`` and heard through ``receive``.

    Args:
        engine: The rules.
        words: The console's map, compiled.
        send: Hands one message to the link; False when it was not taken.
        terms: How to deal with it.
        budget: What the link may carry.

    Attributes:
        state: ``reading``, ``live`` or ``lost``.
        told: Messages that left.
        desk_moves: How often the desk moved by itself.
    """

    def __init__(
        self,
        engine: Engine,
        words: ConsoleWords,
        send: Callable[[bytes], bool],
        terms: Terms,
        budget: Budget = UNLIMITED,
    ) -> None:
        self.engine, self.words, self.terms, self.budget = engine, words, terms, budget
        self._send = send
        self.state = READING
        self.told = self.desk_moves = 0
        self._queue = SlotQueue()
        self._echoes = Echoes()
        self._looks: OrderedDict[int, float] = OrderedDict()
        self._heard: dict[int, float] = {}
        self._open_questions: set[int] = set()
        self._began = False
        self._ask_again_s = self._probe_s = self._renew_s = self._reread_s = math.inf
        self._half_s = math.inf
        self._heard_s = -math.inf
        self._reread = [slot for slot in sorted(words.can_read) if words.ask(slot)]
        self._rare_probe = not (words.probe or self._reread)
        self._probed_s = -math.inf
        self._confirms = frozenset(
            slot for slot in words.can_set & words.can_read if words.echoes or words.ask(slot)
        ) if terms.readback else frozenset()  # fmt: skip
        self._unsure = Unsettled(
            limits.CONFIRM_RETRY_S if terms.readback else limits.BLIND_REPEAT_S
        )
        self._fresh, self._repeat_at_s = 0, -math.inf
        self._worst = words.longest()

    # -- coming and going -----------------------------------------------------------------------

    def link_open(self, now_s: float) -> None:
        """The link to the console stands: read the console, or begin where it can't be read."""
        self._renew_s = now_s if self.words.renew_every_s else math.inf
        if self.terms.readback and self._questions():
            self._read(now_s)
        else:
            self._complete(now_s)

    def link_lost(self) -> None:
        """Nothing rises until it is back, and no older word that would raise is repeated."""
        self.state = LOST
        self._reread_s = math.inf
        self.engine.console_lost()
        for slot, unsure in self._unsure:
            if unsure.louder:
                self._queue.discard(slot)

    def _read(self, now_s: float) -> None:
        self.state = READING
        self._heard.clear()
        self._open_questions = self._questions()
        self._heard_s = now_s
        self._probe_s = now_s + self.terms.answer_s / 2
        self._reread_s = math.inf
        self._ask_open(now_s)

    def _questions(self) -> set[int]:
        """What the console can be asked: all it tells, where one question brings everything."""
        if self.words.ask_all:
            return set(self.words.can_read)
        return {slot for slot in self.words.can_read if self.words.ask(slot)}

    def _ask_open(self, now_s: float) -> None:
        """Put the open questions: all at once where the console can, else one by one."""
        first = not self._heard
        self._ask_again_s = now_s + max(limits.CONFIRM_RETRY_S, self.terms.answer_s / 2)
        alone = all(self.words.ask(slot) for slot in self._open_questions)
        if self.words.ask_all and (first or not alone):
            self._say(self.words.ask_all, now_s)
            return
        for slot in sorted(self._open_questions):
            self._queue.put(slot, ASK)

    def _complete(self, now_s: float) -> None:
        """Every question is answered: begin, or come back."""
        self.state = LIVE
        self._ask_again_s = math.inf
        if self.terms.readback:
            self._probe_s = now_s + self.terms.answer_s / 2
            self._reread_s = now_s + limits.REREAD_S
        if not self._began:
            self._began = True
            self.engine.begin(self._heard, now_s)
            return
        if self.terms.readback:
            self._unsure.clear()
            self._echoes.clear()
        self.engine.console_back(self._heard, now_s)
        for slot, unsure in list(self._unsure):
            # what was under way may not have arrived: the lowest that the console may have stays
            if unsure.louder and self.engine.sink(slot, unsure.low()):
                self._unsure.settle(slot)
        self._unsure.all_due(now_s)

    # -- what the console says ------------------------------------------------------------------

    def receive(self, data: bytes, now_s: float) -> None:
        """Take one message of the console's."""
        if not self.terms.readback:
            return  # declared as one that cannot be read: its echoes would pass for desk moves
        heard = self.words.decode(data)
        self._half_s = now_s + limits.HALF_S if self.words.waiting else math.inf
        self._take(heard, now_s)

    def _take(self, heard: Iterable[Heard], now_s: float) -> None:
        for slot, value in heard:
            self._heard_s = now_s
            if self.state == LOST:
                self._read(now_s)
            if slot == ALIVE:
                continue
            if self.state == READING:
                self._take_answer(slot, value, now_s)
            else:
                self._take_word(slot, value, now_s)

    def _take_answer(self, slot: int, value: float, now_s: float) -> None:
        self._heard[slot] = value
        self._open_questions.discard(slot)
        self._queue.discard(slot)
        if not self._open_questions:
            self._complete(now_s)

    def _take_word(self, slot: int, value: float, now_s: float) -> None:
        """A word in the middle of the show: a confirmation, an old echo, or the desk's doing."""
        engine = self.engine
        told = engine.matrix.told[slot]
        if told == told and self._same(slot, value, self.words.held(slot, told)):
            self._confirmed(slot, now_s)
        elif self._in_between(slot, value, now_s):
            pass
        elif any(self._same(slot, value, old) for old in self._echoes.recent(slot, now_s)):
            self._stale(slot, value, now_s)
        else:
            self.desk_moves += 1
            self._unsure.settle(slot)
            engine.desk(slot, value, now_s)

    def _in_between(self, slot: int, value: float, now_s: float) -> bool:
        """Whether it may be what the console made of the first half of a word under way."""
        if slot not in self.words.halves or slot not in self._unsure:
            return False
        told = self.engine.matrix.told[slot]
        return value <= max(told, *self._echoes.recent(slot, now_s), OFF)

    def _confirmed(self, slot: int, now_s: float) -> None:
        """The console has the word; look once more when all that is under way has arrived."""
        if self._unsure.settle(slot) and not self.terms.reliable:
            self._looks[slot] = now_s + limits.UNDER_WAY_S
            self._looks.move_to_end(slot)
        self.engine.settle(slot, now_s)

    def _stale(self, slot: int, value: float, now_s: float) -> None:
        """An older word of ours came back: late, or the console stands at it now. Make sure."""
        told = self.engine.matrix.told[slot]
        self._remember(slot, told, now_s)
        self.engine.slipped(slot, value, now_s)
        if slot not in self._unsure:
            self._unsure.told(slot, told, louder=False, now_s=now_s)
            self._queue.put(slot, REPEAT)

    def _same(self, slot: int, value: float, other: float) -> bool:
        if value == other:
            return True
        level = self.engine.matrix.kind[slot] == LEVEL
        return abs(value - other) <= (limits.SAME_DB if level else limits.SAME_PAN)

    # -- what the console is told ---------------------------------------------------------------

    def pump(self, now_s: float) -> None:
        """Tell the console what it may be told now: after every batch of wishes and every wake."""
        engine, queue = self.engine, self._queue
        if self.budget is UNLIMITED:
            while engine.marked or queue:
                marked, engine.marked = engine.marked, {}
                for slot in marked if len(marked) == 1 else sorted(marked, key=marked.__getitem__):
                    self._tell(slot, now_s)
                if queue:
                    self._serve(*queue.take(), now_s)
            return
        while True:
            for slot, rank in engine.marked.items():
                queue.put(slot, rank)
            engine.marked.clear()
            if not queue or not self.budget.may(now_s, *self._worst):
                return
            self._serve(*queue.take(), now_s)

    def _serve(self, slot: int, rank: int, now_s: float) -> None:
        if rank == ASK:
            self._say(self.words.ask(slot), now_s)
        elif rank == REPEAT:
            self._repeat(slot, now_s)
        else:
            self._tell(slot, now_s)

    def _tell(self, slot: int, now_s: float) -> None:
        engine = self.engine
        before = engine.matrix.told[slot]
        value = engine.outgoing.emit(slot, now_s)
        if value != value:
            return
        taken = self._say(self.words.encode(slot, value), now_s)
        if not taken and value > before and engine.matrix.kind[slot] == LEVEL:
            engine.unsent(slot, before, now_s)
            return
        if slot in self._confirms:
            self._remember(slot, before, now_s)
            if not self.words.echoes:
                self._queue.put(slot, ASK)
        elif taken and self.terms.reliable:
            engine.settle(slot, now_s)
            return
        self._fresh += 1
        louder = engine.outgoing.louder(slot, value, before)
        self._unsure.told(slot, before, louder=louder, now_s=now_s)

    def _remember(self, slot: int, before: float, now_s: float) -> None:
        """Keep the last words about a slot, to know them again when the console repeats them."""
        held = before if before != before else self.words.held(slot, before)
        self._echoes.remember(slot, held, now_s)

    def _repeat(self, slot: int, now_s: float) -> None:
        value = self.engine.outgoing.again(slot, now_s)
        if value == value:
            taken = self._say(self.words.encode(slot, value), now_s)
            if taken and self.terms.reliable and slot not in self._confirms:
                self.engine.settle(slot, now_s)
                self._unsure.settle(slot)
                return
        if slot in self._confirms:
            self._queue.put(slot, ASK)

    def _say(self, messages: tuple[bytes, ...], now_s: float) -> bool:
        """Hand messages to the link; False when one was not taken."""
        taken = True
        for message in messages:
            taken = self._send(message) and taken
        self.told += len(messages)
        if self.budget is not UNLIMITED:
            self.budget.spend(now_s, len(messages), sum(map(len, messages)))
        return taken

    # -- time -----------------------------------------------------------------------------------

    def advance(self, now_s: float) -> None:
        """Let time pass: repeat what is unsure, ask what is open, look whether it lives."""
        self._advance_unsure(now_s)
        while self._looks and next(iter(self._looks.values())) <= now_s:
            self._queue.put(self._looks.popitem(last=False)[0], ASK)
        if now_s >= self._half_s:
            self._half_s = math.inf
            self._take(self.words.release(), now_s)
        if now_s >= self._ask_again_s:
            self._ask_open(now_s)
        if now_s >= self._renew_s:
            self._renew_s = now_s + self.words.renew_every_s
            self._say(self.words.renew, now_s)
        if now_s >= self._reread_s and self._reread:
            self._reread_s = now_s + limits.REREAD_S
            self._reread.append(self._reread.pop(0))
            self._queue.put(self._reread[0], ASK)
        if now_s >= self._probe_s:
            self._probe(now_s)

    def _advance_unsure(self, now_s: float) -> None:
        """Repeat words that are due: a share of the time when there is much new to tell."""
        if now_s < self._repeat_at_s:
            return
        turns = limits.REPEATS_AT_ONCE
        if self._fresh:
            turns = max(1, self._fresh // limits.FRESH_A_REPEAT)
            self._repeat_at_s = now_s + limits.REPEAT_PAUSE_S
            self._fresh = 0
        unsure = self._unsure
        while turns and (due := unsure.due(now_s)) is not None:
            turns -= 1
            slot, word = due
            blind_done = slot not in self._confirms and word.tries >= limits.BLIND_REPEATS
            if blind_done and not self.terms.reliable and not self.engine.lost:
                unsure.settle(slot)
                self.engine.settle(slot, now_s)
                continue
            unsure.later(slot, word, now_s)
            if not (word.louder and self.engine.lost):
                self._queue.put(slot, REPEAT)

    def _probe(self, now_s: float) -> None:
        """Ask whether the console lives, and draw the conclusion when it has not said so."""
        answer_s = self.terms.answer_s
        self._probe_s = now_s + answer_s / 2
        answered = self._heard_s >= self._probed_s
        if self._rare_probe:  # it can only be asked for everything at once, which is much
            pause_s = limits.RARE_PROBE_S if answered else answer_s
            if not self.words.ask_all or now_s - self._probed_s < pause_s:
                return
        if self.state == LIVE and not answered and now_s - self._heard_s > answer_s:
            self.link_lost()
        self._probed_s = now_s
        if self._rare_probe:
            self._say(self.words.ask_all, now_s)
        elif self.words.probe:
            self._say(self.words.probe, now_s)
        else:
            self._queue.put(self._reread[0], ASK)

    def next_wake_s(self) -> float:
        """When ``advance`` or ``pump`` has something to do next."""
        look = next(iter(self._looks.values()), math.inf)
        queued = self.budget.next_wake_s() if self._queue else math.inf
        return min(
            max(self._unsure.next_wake_s(), self._repeat_at_s),
            look,
            queued,
            self._ask_again_s,
            self._renew_s,
            self._reread_s if self._reread else math.inf,
            self._probe_s,
            self._half_s,
        )

    def in_haste(self) -> bool:
        """Whether something waits for the link that a ramp's tick later would be late."""
        return bool(self._queue)

    def unsure(self) -> int:
        """How many words the console is not known to have yet."""
        return len(self._unsure)

    def unanswered(self) -> list[int]:
        """Slots that the console was asked about and has not answered yet."""
        return sorted(self._open_questions) if self.state == READING else []


assert RAISE < ASK < REPEAT, "questions and repeats go last"
