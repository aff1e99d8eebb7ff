"""The whole path without its sockets: bytes in, bytes out, time as an argument. Pure.

controller bytes -> wishes -> rules -> console bytes, and back: console bytes -> lamps
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from bridge import limits
from bridge.console import UNLIMITED, Console, Terms
from bridge.console.kept import Forgetful, Journal, Returned
from bridge.controllers import Controller, Controllers
from bridge.errors import WireError
from bridge.maps.console import ConsoleWords
from bridge.maps.controller import ControllerWords
from bridge.maps.model import MapFile
from bridge.maps.places import ConsoleNames
from bridge.mix.engine import Engine
from bridge.mix.gesture import Verdict
from bridge.rig.rig import ENGINEER, Rig
from bridge.wire import guard, osc
from bridge.wire.pacing import BURST_S, Budget
from bridge.wire.timetag import TimedQueue

_BUNDLE = b"#bundle\0"


def console_words(rig: Rig, map_file: MapFile, *, at_console: bool = False) -> ConsoleWords:
    """A rig's console map compiled, from the bridge's end or the console's.

    Raises:
        MapError: the map does not suit the rig.
    """
    names = ConsoleNames(
        tuple(channel.console for channel in rig.file.channel),
        tuple(bus.console for bus in rig.file.bus),
    )
    return ConsoleWords(map_file, rig.layout, names, end="console" if at_console else "bridge")


def controller_words(rig: Rig, number: int, map_file: MapFile) -> ControllerWords:
    """A controller's map compiled: a performer's own buses are 1, 2 ..., the engineer's are all.

    Raises:
        MapError: the map does not suit the rig.
    """
    who = rig.hands(rig.file.controller[number])
    if who == ENGINEER:
        return ControllerWords(map_file, rig.layout)
    buses = tuple(rig.layout.buses.index(name) for name in rig.file.performer[who].buses)
    return ControllerWords(map_file, rig.layout, ConsoleNames.own(rig.layout, buses))


def budget_of(rig: Rig, words: ConsoleWords) -> Budget:
    """What the console's link may carry: the rig's word, else the map's."""
    messages = rig.file.console.messages_per_s or words.messages_per_s
    nbytes = rig.file.console.bytes_per_s or words.bytes_per_s
    if messages == math.inf and nbytes == math.inf:
        return UNLIMITED
    flow = 1.0 - BURST_S  # with a burst on top, no second carries more than was declared
    return Budget(flow * messages, flow * nbytes)


def _slack_s(delay_s: float, *, readback: bool, reliable: bool) -> float:
    """By how much words may arrive bunched: late ones, and where nobody tells, lost ones."""
    if readback or reliable:
        return delay_s
    return delay_s + limits.LOST_IN_A_ROW * limits.TICK_S


@dataclass(frozen=True, slots=True)
class Roads:
    """The way out to everybody, as the links offer it.

    Attributes:
        console: Hands a message to the console's link.
        controllers: The same for each controller, in rig order.
        reliable: The console's link loses nothing while it is open.
    """

    console: Callable[[bytes], bool]
    controllers: Sequence[Callable[[bytes], bool]]
    reliable: bool


class House:
    """One rig at work.

    Args:
        rig: What was declared.
        maps: Every map that the rig names, by the name it uses.
        roads: The way out.
        on_verdict: Hears of every verdict that is not simply "taken".
        journal: Keeps levels and gestures beyond the life of this process.

    Attributes:
        engine: The rules and levels.
        console: The console's side.
        controllers: The hands' side.
        waiting: OSC messages whose time tag has not come, as (controller, bytes).
        journal: As above; one that forgets where there is none.
    """

    def __init__(
        self,
        rig: Rig,
        maps: Mapping[str, MapFile],
        roads: Roads,
        on_verdict: Callable[[str, Verdict], None] = lambda name, verdict: None,
        journal: Journal | None = None,
    ) -> None:
        self.rig = rig
        words = console_words(rig, maps[rig.file.console.map])
        declared = rig.file.console
        readback = declared.readback and bool(words.can_read)
        self.engine = Engine(
            rig,
            can_set=words.can_set,
            wait_for_word=readback,
            slack_s=_slack_s(declared.delay_s, readback=readback, reliable=roads.reliable),
            late_s=0.0 if roads.reliable else limits.UNDER_WAY_S,
        )
        terms = Terms(readback, roads.reliable, declared.answer_s)
        budget = budget_of(rig, words)
        self.journal = journal or Forgetful(self.engine)
        self.console = Console(
            self.engine, words, roads.console, terms, budget, journal=self.journal
        )
        self.controllers = Controllers(self.engine, on_verdict)
        for number, controller in enumerate(rig.file.controller):
            own_words = controller_words(rig, number, maps[controller.map])
            who = rig.hands(controller)
            send = roads.controllers[number]
            self.controllers.add(Controller(controller.id, who, own_words, send))
        self.waiting: TimedQueue[tuple[int, bytes]] = TimedQueue()
        self.malformed = 0
        self.journal.join(self.engine, self.controllers)

    @property
    def returned(self) -> Returned:
        """How the bridge came back to the console's levels, and why so."""
        return self.console.returned

    def memory(self) -> list[str]:
        """How the bridge came back, and how it stands with what is kept, in words; never empty."""
        way, reason = self.returned[:2]
        kept = self.journal.state().items()
        return [f"came back {way}: {reason}" if way else reason,
                *(f"journal of {part}: {how}" for part, how in kept)]  # fmt: skip

    # -- bytes in -------------------------------------------------------------------------------

    def from_console(self, batch: Iterable[tuple[bytes, object]], now_s: float) -> None:
        """Take what the console said."""
        for data, _ in batch:
            self.console.receive(data, now_s)
        self.settle(now_s)

    def from_controller(
        self, number: int, datas: Iterable[bytes], now_s: float, now_unix_s: float
    ) -> None:
        """Take what a controller said.

        Args:
            number: Its number in the rig.
            datas: Complete messages, oldest first.
            now_s: This moment on the bridge's clock, s.
            now_unix_s: This moment on the calendar, s: what time tags speak of.
        """
        controllers = self.controllers
        controller = controllers.all[number]
        for data in datas:
            if data.startswith(_BUNDLE):
                self._bundle(number, data, now_s, now_unix_s)
            else:
                controllers.receive(controller, data, now_s)

    def _bundle(self, number: int, data: bytes, now_s: float, now_unix_s: float) -> None:
        """Late messages of a bundle act now, early ones wait for their time, up to a bound."""
        try:
            osc.decode(data)
            messages = guard.messages(data)
        except WireError:
            self.malformed += 1
            return
        for tag, plain in messages:
            held = [(number, plain)]
            due = self.waiting.put(held, tag, now_s=now_s, now_unix_s=now_unix_s)
            for _, each in due:
                self.controllers.receive(self.controllers.all[number], each, now_s)

    # -- time -----------------------------------------------------------------------------------

    def settle(self, now_s: float) -> None:
        """Tell the console and the lamps what follows; once after every batch."""
        self.journal.look(now_s)  # first, so that no fall is told whose wish could be lost
        self.console.pump(now_s)
        if self.engine.news:  # telling may change what is asked, as behind a stage's margin
            self.journal.look(now_s)
        self.controllers.show(now_s)

    def wake(self, now_s: float) -> None:
        """Let time pass in every part."""
        for number, data in self.waiting.due(now_s):
            self.controllers.receive(self.controllers.all[number], data, now_s)
        self.engine.advance(now_s)
        self.console.advance(now_s)
        self.controllers.advance(now_s)
        self.settle(now_s)

    def stood_still(self, seconds: float) -> None:
        """The bridge could not act for some time: that earns no rise and makes no press long."""
        self.engine.matrix.rides.skip(seconds)
        for controller in self.controllers.all:
            controller.words.skip(seconds)

    def rests(self) -> bool:
        """Whether every level is where it goes and the console is known to have it."""
        engine = self.engine
        if not engine.running():
            return False
        return not (engine.moving or engine.waiting or engine.marked or self.console.unsure())

    def expected(self) -> dict[int, float]:
        """What the console should hold once all rests, by slot, as it understands it."""
        m, words = self.engine.matrix, self.console.words
        return {
            slot: words.held(slot, m.goal[slot])
            for slot in sorted(words.can_set)
            if m.goal[slot] == m.goal[slot] and m.out[slot]
        }

    def in_haste(self) -> bool:
        """Whether what comes next is due to the millisecond, rather than to a ramp's tick."""
        return self.console.in_haste() or bool(self.waiting)

    def next_wake_s(self, now_s: float) -> float:
        """When ``wake`` has something to do next."""
        return min(
            self.engine.next_wake_s(),
            self.console.next_wake_s(),
            self.controllers.next_wake_s(now_s),
            self.waiting.next_wake_s(),
            self.journal.next_wake_s(),
        )
