"""The console's side of the bridge: what it is told and what it says. Pure.

    reading --(every question answered)--> live --(silence)--> lost --(a word)--> reading

Nothing is told before the console was read, if it can be read at all. Each word is then *settled*
once the console has confirmed it (by repeating it, or when asked), once it was told often enough
where nothing comes back, or at once on a link that loses nothing.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Callable, Iterable

from bridge import limits
from bridge.console.kept import COLD, NOT_YET, Forgetful, Journal
from bridge.console.pulse import Pulse
from bridge.console.reading import Reading
from bridge.console.same import as_told, believed, quieter, same
from bridge.console.terms import Ration, Terms, Unsure
from bridge.maps.console import ALIVE, ConsoleWords, Heard
from bridge.mix.engine import Engine
from bridge.mix.matrix import LEVEL, RAISE
from bridge.units import OFF
from bridge.wire.conversation import Echoes
from bridge.wire.pacing import ASK, REPEAT, Budget, SlotQueue

READING, LIVE, LOST = "reading", "live", "lost"
UNLIMITED = Budget()


class Console:
    """One console, told through ``send`` and heard through ``receive``.

    Args:
        engine: The rules.
        words: The console's map, compiled.
        send: Hands one message to the link; False when it was not taken.
        terms: How to deal with it.
        budget: What the link may carry.
        journal: Keeps what it was told beyond the life of this process.

    Attributes:
        state: ``reading``, ``live`` or ``lost``.
        returned: How the bridge came back to it.
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
        *,
        journal: Journal | None = None,
    ) -> None:
        self.engine, self.words, self.terms, self.budget = engine, words, terms, budget
        self._send = send
        self._journal = journal or Forgetful(engine)
        self._kept = self._journal.kept
        self.returned = NOT_YET
        self.state = READING
        self.told = self.desk_moves = 0
        self._queue = SlotQueue()
        self._echoes = Echoes()
        self._looks: OrderedDict[int, float] = OrderedDict()
        self._reading = Reading(words, terms.answer_s)
        self._began = False
        self._renew_s = self._reread_s = self._half_s = math.inf
        self._reread = [slot for slot in sorted(words.can_read) if words.ask(slot)]
        self._pulse = Pulse(terms.answer_s, rare=not (words.probe or self._reread))
        self._confirms = frozenset(
            slot for slot in words.can_set & words.can_read if words.echoes or words.ask(slot)
        ) if terms.readback else frozenset()  # fmt: skip
        self._unsure = Unsure(limits.CONFIRM_RETRY_S if terms.readback else limits.BLIND_REPEAT_S)
        self._ration = Ration()
        self._worst = words.longest()

    # -- coming and going -----------------------------------------------------------------------

    def link_open(self, now_s: float) -> None:
        """The link to the console stands: read the console, or begin where it can't be read."""
        self._renew_s = now_s if self.words.renew_every_s else math.inf
        if self.terms.readback and self._reading.possible():
            self._read(now_s)
        else:
            self._complete(now_s)

    def link_lost(self) -> None:
        """Nothing rises until it is back, and no older word that would raise is repeated."""
        self.state = LOST
        self._reread_s = math.inf
        self.engine.console_lost()
        self._unsure.owed.clear()
        for slot, unsure in self._unsure:
            if unsure.louder:
                self._queue.discard(slot)

    def _read(self, now_s: float) -> None:
        self.state = READING
        self._reading.begin()
        self._pulse.heard(now_s)
        self._pulse.begin(now_s)
        self._reread_s = math.inf
        self._ask_open(now_s)

    def _ask_open(self, now_s: float) -> None:
        """Put the open questions: all at once where the console can, else one by one."""
        alone = self._reading.ask(now_s)
        if alone is None:
            self._say(self.words.ask_all, now_s)
            return
        for slot in alone:
            self._queue.put(slot, ASK)

    def _complete(self, now_s: float) -> None:
        """Every question is answered: begin, or come back."""
        self.state = LIVE
        self._reading.end()
        if self.terms.readback:
            self._pulse.begin(now_s)
            self._reread_s = now_s + limits.REREAD_S
        heard = self._reading.heard
        if not self._began:
            self._began = True
            self.returned = self._journal.begin(self.words, heard, now_s)
            if self.returned.way == COLD:
                return
            low = dict(self.returned.under_way)
            heard = {**believed(self.engine.matrix, self.words), **low, **heard}
        heard = as_told(self.engine.matrix, self.words, heard)
        if self.terms.readback:
            self._unsure.only_missing(self.engine.matrix.told, heard)
            self._echoes.clear()
        self.engine.console_back(heard, now_s)
        self._journal.whole()
        self._tell_again(now_s)

    def _tell_again(self, now_s: float) -> None:
        """A fall under way is told again; of a raise the least that may have arrived stays."""
        for slot, low in self.returned.under_way:
            self._unsure.told(slot, math.nan, louder=False, now_s=now_s)
            self.engine.matrix.settled[slot], self._kept.low[slot] = 0, low
        self.returned = self.returned._replace(under_way=())
        for slot, unsure in list(self._unsure):
            sunk = unsure.louder and self.engine.sink(slot, unsure.low())
            if sunk or self.terms.readback:
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
            self._pulse.heard(now_s)
            if self.state == LOST:
                self._read(now_s)
            if slot == ALIVE:
                continue
            if self.state == READING:
                self._take_answer(slot, value, now_s)
            else:
                self._take_word(slot, value, now_s)

    def _take_answer(self, slot: int, value: float, now_s: float) -> None:
        self._queue.discard(slot)
        if self._reading.answer(slot, value):
            self._complete(now_s)

    def _take_word(self, slot: int, value: float, now_s: float) -> None:
        """A word in the middle of the show: a confirmation, an old echo, or the desk's doing."""
        engine = self.engine
        told = engine.matrix.told[slot]
        if told == told and self._same(slot, value, held := self.words.held(slot, told)):
            if slot not in self._unsure or not self._echoes.doubtful(slot, held, now_s):
                self._confirmed(slot, now_s)
        elif self._in_between(slot, value, now_s):
            pass
        elif any(self._same(slot, value, old) for old in self._echoes.recent(slot, now_s)):
            self._stale(slot, value, now_s)
        else:
            self.desk_moves += 1
            self._unsure.settle(slot)
            engine.desk(slot, value, now_s)
            self._kept.keep(slot, engine.matrix.told[slot])

    def _in_between(self, slot: int, value: float, now_s: float) -> bool:
        """Whether it may be what the console made of the first half of a word under way."""
        if slot not in self.words.halves or slot not in self._unsure:
            return False
        return value <= max(self.engine.matrix.told[slot], *self._echoes.recent(slot, now_s), OFF)

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
        self._kept.keep(slot, self.engine.matrix.told[slot])
        if slot not in self._unsure:
            self._unsure.told(slot, told, louder=False, now_s=now_s)
            self._queue.put(slot, REPEAT)

    def _same(self, slot: int, value: float, other: float) -> bool:
        return same(self.engine.matrix.kind[slot], value, other)

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
            self._nothing_told(slot)
            return
        louder = engine.outgoing.louder(slot, value, before)
        kind, blind = engine.matrix.kind[slot], slot not in self._confirms
        if blind:
            quiet = quieter(kind, value, before) if louder else value
            self._kept.leaves(slot, before, quiet)
        if not louder:  # kept before it leaves, and a raise after: never more than was handed over
            self._kept.keep(slot, value)
        taken = self._say(self.words.encode(slot, value), now_s)
        if not taken and value > before and kind == LEVEL:
            engine.unsent(slot, before, now_s)
            return
        if louder and taken:
            self._kept.keep(slot, value)
        if not blind:
            self._remember(slot, before, now_s)
            if not self.words.echoes:
                self._queue.put(slot, ASK)
        elif taken and self.terms.reliable:
            self._kept.low[slot] = math.nan
            engine.settle(slot, now_s)
            return
        self._ration.fresh += 1
        self._unsure.told(slot, before, louder=louder, now_s=now_s)
        if blind and louder and kind == LEVEL:
            self._kept.low[slot] = self._unsure.lowest(slot)  # what is older has long arrived

    def _nothing_told(self, slot: int) -> None:
        """A level that waits for its word is marked at every tick; it is repeated all the same."""
        if slot in self._unsure.owed:
            self._queue.put(slot, REPEAT)

    def _remember(self, slot: int, before: float, now_s: float) -> None:
        """Keep the last words about a slot, to know them again when the console repeats them."""
        held = before if before != before else self.words.held(slot, before)
        self._echoes.remember(slot, held, now_s)

    def _repeat(self, slot: int, now_s: float) -> None:
        self._unsure.owed.discard(slot)
        value = self.engine.outgoing.again(slot, now_s)
        if value == value:
            taken = self._say(self.words.encode(slot, value), now_s)
            if taken:
                self._kept.keep(slot, value)
            if taken and self.terms.reliable and slot not in self._confirms:
                self.engine.settle(slot, now_s)
                self._arrived(slot)
                return
        if slot in self._confirms:
            self._queue.put(slot, ASK)

    def _arrived(self, slot: int) -> None:
        """A word was told as often, or on such a link, that it counts as arrived."""
        self._unsure.settle(slot)
        self._kept.low[slot] = math.nan

    def _say(self, messages: tuple[bytes, ...], now_s: float) -> bool:
        """Hand messages to the link; False when one was not taken."""
        taken = all([self._send(message) for message in messages])
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
        if now_s >= self._reading.again_s:
            self._ask_open(now_s)
        if now_s >= self._renew_s:
            self._renew_s = now_s + self.words.renew_every_s
            self._say(self.words.renew, now_s)
        if now_s >= self._reread_s and self._reread:
            self._reread_s = now_s + limits.REREAD_S
            self._reread.append(self._reread.pop(0))
            self._queue.put(self._reread[0], ASK)
        if now_s >= self._pulse.next_s:
            self._probe(now_s)

    def _advance_unsure(self, now_s: float) -> None:
        """Repeat words that are due: a share of the time when there is much new to tell."""
        turns = self._ration.turns(now_s)
        unsure = self._unsure
        while turns and (due := unsure.due(now_s)) is not None:
            turns -= 1
            slot, word = due
            blind_done = slot not in self._confirms and word.tries >= limits.BLIND_REPEATS
            if blind_done and not self.terms.reliable and not self.engine.lost:
                self._arrived(slot)
                self.engine.settle(slot, now_s)
                continue
            unsure.later(slot, word, now_s)
            if not (word.louder and self.engine.lost):
                unsure.owed.add(slot)
                self._queue.put(slot, REPEAT)

    def _probe(self, now_s: float) -> None:
        """Ask whether the console lives, and draw the conclusion when it has not said so."""
        pulse = self._pulse
        if not pulse.beats(now_s) or (pulse.rare and not self.words.ask_all):
            return
        if self.state == LIVE and pulse.silent(now_s):
            self.link_lost()
        pulse.asked(now_s)
        if pulse.rare:
            self._say(self.words.ask_all, now_s)
        elif self.words.probe:
            self._say(self.words.probe, now_s)
        else:
            self._queue.put(self._reread[0], ASK)

    def next_wake_s(self) -> float:
        """When ``advance`` or ``pump`` has something to do next."""
        look = next(iter(self._looks.values()), math.inf)
        queued = self.budget.next_wake_s() if self._queue else math.inf
        reread = self._reread_s if self._reread else math.inf
        repeat = max(self._unsure.next_wake_s(), self._ration.next_s)
        own = self._renew_s, self._pulse.next_s, self._half_s, self._reading.again_s
        return min(look, queued, reread, repeat, *own)

    def in_haste(self) -> bool:
        """Whether something waits for the link that a ramp's tick later would be late."""
        return bool(self._queue)

    def unsure(self) -> int:
        """How many words the console is not known to have yet."""
        return len(self._unsure)

    def unanswered(self) -> list[int]:
        """Slots that the console was asked about and has not answered yet."""
        return sorted(self._reading.open) if self.state == READING else []


assert RAISE < ASK < REPEAT, "questions and repeats go last"
