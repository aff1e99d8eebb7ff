"""One soundcheck on a running bridge: lines in, levels, marks and texts out. I/O."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial

from bridge.daemon import Daemon
from bridge.errors import BridgeError
from bridge.soundcheck import listing, texts
from bridge.soundcheck.commands import Line, Show, parse_line
from bridge.soundcheck.desk import Desk
from bridge.soundcheck.marks import (
    Book,
    Clear,
    Mark,
    MarksError,
    ring_marks,
    with_clear,
    with_frequency,
    with_mark,
    withdrawn,
)
from bridge.soundcheck.marks_file import Edit
from bridge.soundcheck.plan import done_pairs, plan_of
from bridge.soundcheck.procedure import Procedure
from bridge.soundcheck.rise import reach_db
from bridge.soundcheck.states import Finding, State, Word

TICK_S = 0.05
"""Time between two looks at what rises: a twentieth of a decibel at the rate of a rise."""

SETTLE_S = 3.0
"""How long the end waits for the console to have the last words."""

Keep = Callable[[Edit], Awaitable[None]]
"""Brings a change to the marks file; raises MarksError where it cannot."""


def _now() -> datetime:
    return datetime.now(UTC).replace(microsecond=0)


@dataclass(frozen=True, slots=True)
class Person:
    """Who listens, and how to reach them and their file.

    Attributes:
        by: Their name.
        say: Takes a line for them.
        keep: Brings a change to the marks file.
        stamp: The calendar.
    """

    by: str
    say: Callable[[str], None]
    keep: Keep
    stamp: Callable[[], datetime] = _now


class Session:
    """One soundcheck.

    Args:
        daemon: The bridge, which has not been started.
        person: Who listens.
        book: The marks so far.
        fresh: Test again what has been tested.

    Attributes:
        procedure: Where it stands.
        book: The marks, those included that could not be kept yet.

    Raises:
        RigError: there is nothing to test.
    """

    def __init__(self, daemon: Daemon, person: Person, book: Book, *, fresh: bool = False) -> None:
        self.daemon, self.rig, self.book = daemon, daemon.rig, book
        self._person, self._say = person, person.say
        plan = plan_of(self.rig, book, fresh=fresh)
        self._pairs = plan.pairs
        house = daemon.house
        self.desk = Desk(house.engine, house.console.words.held)
        self.procedure = Procedure(self.desk, plan)
        self._unkept: list[Edit] = []
        self._keeping: asyncio.Task[None] | None = None
        self._interrupts = 0

    # -- the whole ------------------------------------------------------------------------------

    async def run(self, lines: asyncio.Queue[str | None]) -> bool:
        """Run until the person leaves; the console is left with everything down.

        Args:
            lines: What the person types, a line each; None is the end of it.

        Returns:
            Whether everything was kept and the console had the last word.

        Raises:
            LinkError: a link can never work as declared.
        """
        loop = asyncio.get_running_loop()
        opened = asyncio.Event()
        bridge = loop.create_task(self.daemon.run(opened.set), name="bridge")
        try:
            await _first(bridge, opened)
            self._greet()
            while self.procedure.state is not State.LEFT and not bridge.done():
                await self._turn(lines, loop)
            if bridge.done():
                bridge.result()
            settled = await self._settle(loop)
            return await self._kept() and settled
        finally:
            bridge.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await bridge

    async def run_on(self, lines: asyncio.Queue[str | None]) -> bool:
        """The same on a bridge that runs already, and goes on afterwards.

        Args:
            lines: What the person says, a line each; None is the end of it.

        Returns:
            Whether everything was kept and the console had the last word.
        """
        loop = asyncio.get_running_loop()
        self._resume()
        while self.procedure.state is not State.LEFT:
            await self._turn(lines, loop)
        settled = await self._settle(loop)
        return await self._kept() and settled

    def let_go(self) -> None:
        """Whoever listens may be away: what rises goes off, and the pair is offered again."""
        if self.procedure.state is State.RISING:
            now_s = asyncio.get_running_loop().time()
            self.procedure.state = self.procedure.stop(now_s, "nobody was there to hear it ring")
            self._after(now_s)

    def interrupt(self) -> None:
        """Everything down at once, then a clean end; the second time without waiting."""
        self._interrupts += 1
        if self._interrupts > 1 or self.procedure.state is State.LEFT:
            return
        now_s = asyncio.get_running_loop().time()
        self.procedure.hear(Word.SILENCE, now_s)
        self._after(now_s)

    async def _turn(
        self, lines: asyncio.Queue[str | None], loop: asyncio.AbstractEventLoop
    ) -> None:
        """The next line, or a little time."""
        try:
            async with asyncio.timeout(TICK_S):
                text = await lines.get()
        except TimeoutError:
            pass
        else:
            if text is None:
                self.interrupt()
            else:
                self._take(parse_line(text), loop.time())
        if self._interrupts:
            self._leave(loop.time())
        self._after(loop.time())

    def _leave(self, now_s: float) -> None:
        for _ in range(2):  # the first one may offer to restore
            if self.procedure.state is not State.LEFT:
                self.procedure.hear(Word.LEAVE, now_s)

    async def _settle(self, loop: asyncio.AbstractEventLoop) -> bool:
        """Wait until the console has the last words; whether it had."""
        until_s = loop.time() + SETTLE_S
        while self.desk.lost or not (self.desk.down() or self.daemon.house.rests()):
            if not (self.procedure.begun or self.desk.silenced):
                break  # nothing was touched: the bridge's own start may go on as it likes
            left_s = until_s - loop.time()
            if left_s <= 0.0 or self._interrupts > 1:
                self._say("The console has not confirmed the last levels: look at it.")
                return False
            await asyncio.sleep(min(TICK_S, left_s))
        return True

    # -- lines ----------------------------------------------------------------------------------

    def _greet(self) -> None:
        for line in texts.CAUTIONS:
            self._say(line)
        self._say("`help` lists the words.")
        self._resume()

    def _resume(self) -> None:
        """Say what was tested before, and let its marks bind."""
        if self.book.marks or self.book.clears:
            done = len(self.procedure.done)
            self._say(f"Resuming with {self.book.where}: {done} pairs tested already are passed "
                      "over.")  # fmt: skip
        self._use_marks()

    def _take(self, line: Line, now_s: float) -> None:
        """Act on a line; what rises falls first, whatever else the line may want."""
        word = line.word
        if isinstance(word, Word):
            self.procedure.hear(word, now_s, line.hz)
        elif word is not Show.STATUS and self.procedure.state is State.RISING:
            self.procedure.hear(Word.OTHER, now_s)
        self._after(now_s)
        if line.fault:
            self._say(line.fault)
        elif isinstance(word, Show):
            self._show(word, line.names)

    def _show(self, show: Show, names: tuple[str, ...]) -> None:
        if show is Show.HELP:
            for text in texts.HELP:
                self._say(text)
        elif show is Show.MARKS:
            for text in listing.lines(self.book, self.rig, self._pairs):
                self._say(text)
        elif show is Show.STATUS:
            self._say(self.procedure.status())
        elif show is Show.WITHDRAW:
            self._withdraw(names[0], names[1])

    def _withdraw(self, channel: str, bus: str) -> None:
        if not self._change(partial(withdrawn, pair=(channel, bus))):
            return
        older = self.book.in_force().get((channel, bus))
        after = "the prediction is in force there again" if older is None else (
            f"an older mark of {older.level_db:.1f} dB is in force now")  # fmt: skip
        self._say(f"Withdrawn; {after}.")
        layout = self.rig.layout
        pair = layout.channels.index(channel), layout.buses.index(bus)
        if pair not in done_pairs(self.book, self.rig):
            self.procedure.withdrawn(*pair)
        self._use_marks()

    # -- what follows ---------------------------------------------------------------------------

    def _after(self, now_s: float) -> None:
        """Let the procedure go on; tell the console first, then the person, then the file."""
        self.procedure.advance(now_s)
        self._tell()
        found, self.procedure.found = self.procedure.found, []
        said, self.procedure.said = self.procedure.said, []
        for text in said:
            self._say(text)
        for finding in found:
            self._change(self._edit(finding))
        if any(finding.kind == "ring" for finding in found):
            self._use_marks()

    def _tell(self) -> None:
        if self.desk.wished:
            self.desk.wished = False
            self.daemon.wished()

    def _use_marks(self) -> None:
        """Have the marks bind from this moment: what was measured replaces what was computed."""
        marks = ring_marks(self.book, self.rig)
        self.procedure.marks = marks
        self.desk.use_marks(marks)
        self._tell()

    def _edit(self, finding: Finding) -> Edit:
        layout = self.rig.layout
        channel, bus = layout.channels[finding.channel], layout.buses[finding.bus]
        if finding.kind == "tone":
            assert finding.hz is not None, "a tone has a frequency"
            return partial(with_frequency, pair=(channel, bus), frequency_hz=finding.hz)
        when, by = self._person.stamp(), self._person.by
        if finding.kind == "clear":
            clear = Clear(
                channel=channel,
                bus=bus,
                clear_to_db=finding.level_db,
                ceiling_db=reach_db(self.rig, finding.bus),
                when=when,
                by=by,
            )
            return partial(with_clear, clear=clear)
        mark = Mark(
            channel=channel,
            bus=bus,
            level_db=finding.level_db,
            frequency_hz=finding.hz,
            when=when,
            by=by,
        )
        return partial(with_mark, mark=mark)

    def _change(self, edit: Edit) -> bool:
        """Change the marks here at once, and in the file as soon as it may be."""
        try:
            self.book = edit(self.book)
        except MarksError as error:
            self._say(str(error))
            return False
        self._unkept.append(edit)
        if self._keeping is None or self._keeping.done():
            self._keeping = asyncio.get_running_loop().create_task(self._bring(), name="marks")
        return True

    async def _bring(self) -> None:
        """Bring all changes to the file, in their order; what fails is tried again later."""
        while self._unkept:
            try:
                await self._person.keep(self._unkept[0])
            except BridgeError as error:
                self._say(f"Not stored yet, kept here and tried again: {error}")
                return
            del self._unkept[0]

    async def _kept(self) -> bool:
        """Wait for the file; whether it has everything."""
        if self._keeping is not None:
            await self._keeping
        if self._unkept:
            await self._bring()
        if self._unkept:
            self._say("These could not be stored; copy them by hand:")
            self._say(self.book.text)
        return not self._unkept


async def _first(bridge: asyncio.Task[None], opened: asyncio.Event) -> None:
    """Wait until the bridge is ready, or pass on why it is not."""
    waiter = asyncio.ensure_future(opened.wait())
    await asyncio.wait([bridge, waiter], return_when=asyncio.FIRST_COMPLETED)
    waiter.cancel()
    if bridge.done():
        bridge.result()
