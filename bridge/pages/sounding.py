"""The soundcheck on the engineer's page: the procedure of the terminal, with buttons. I/O.

What rises does so only while a page of the engineer's says that somebody is there to hear it ring:
a laptop that was shut, or a page that lost its network, takes it down within two seconds.
"""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from typing import TYPE_CHECKING, Any, cast

from bridge.errors import BridgeError
from bridge.pages.client import Client
from bridge.pages.messages import Said
from bridge.pages.scene import shown
from bridge.rig.rig import Rig
from bridge.soundcheck import texts
from bridge.soundcheck.marks_file import Edit, change_marks, read_marks
from bridge.soundcheck.session import Person, Session
from bridge.soundcheck.states import State, Word
from bridge.soundcheck.words import TABLE

if TYPE_CHECKING:
    from bridge.daemon import Daemon
    from bridge.pages.server import Bridge

log = logging.getLogger("foldbridge.pages")

HERE_S = 2.0
"""A page that listens says so twice a second; after so long without it what rises goes off."""

LOOK_S = 0.2
"""Time between two looks whether somebody listens."""

LINES_MAX = 40
"""Lines kept for pages that come later."""

WAITING_MAX = 8
"""Words that wait: a hand presses one at a time."""

END_S = 5.0
"""Longest wait for everything to be down when the bridge stops."""

BEGIN = "begin"
"""The word that begins a soundcheck; all others are the procedure's own."""


class Sounding:
    """The soundcheck of a running bridge, for every page of the engineer's.

    Args:
        bridge: The running bridge.
        rig: Its rig.
    """

    def __init__(self, bridge: Bridge, rig: Rig) -> None:
        self._bridge, self._rig = bridge, rig
        self._session: Session | None = None
        self._task: asyncio.Task[None] | None = None
        self._words: asyncio.Queue[str | None] = asyncio.Queue(WAITING_MAX)
        self._said: deque[str] = deque(maxlen=LINES_MAX)
        self._here_s = float("-inf")

    # -- what the engineer says -----------------------------------------------------------------

    def heard(self, _: Client, said: Said, now_s: float) -> str:
        """A word of the engineer's; what is not possible is said in words."""
        self._here_s = now_s
        if self._task is None:
            if said.text != BEGIN:
                return "no soundcheck has been begun"
            self._said.clear()
            self._words = asyncio.Queue(WAITING_MAX)
            self._task = asyncio.get_running_loop().create_task(self._run(), name="soundcheck")
            return ""
        try:
            self._words.put_nowait(said.text)
        except asyncio.QueueFull:
            return "one moment"
        return ""

    def here(self, _: Client, __: Said, now_s: float) -> str:
        """A page says that somebody listens."""
        self._here_s = now_s
        return ""

    # -- what pages show ------------------------------------------------------------------------

    def picture(self) -> dict[str, Any] | None:
        """Where it stands; None while there is none."""
        if self._session is None:
            return None
        procedure = self._session.procedure
        pair = procedure.pair
        row = TABLE[procedure.state]
        return {
            "state": str(procedure.state), "status": procedure.status(),
            "pair": "" if pair is None else texts.pair(self._rig, *pair),
            "level": None if pair is None else shown(procedure.desk.effective_db(*pair)),
            "words": [str(word) for word in Word if word in row and word is not Word.OTHER],
            "rising": procedure.state is State.RISING,
        }  # fmt: skip

    @property
    def lines(self) -> list[str]:
        """What was said last, oldest first; it stays when a soundcheck has ended."""
        return list(self._said)

    # -- the run --------------------------------------------------------------------------------

    async def _run(self) -> None:
        try:
            book = await asyncio.to_thread(read_marks, self._rig)
            person = Person(self._rig.file.engineer.name, self._said.append, self._keep)
            # All that a session needs of a bridge that runs is what the pages need of it.
            session = Session(cast("Daemon", self._bridge), person, book)
            self._session = session
            async with asyncio.TaskGroup() as group:
                watch = group.create_task(self._watch(session), name="listening")
                whole = await session.run_on(self._words)
                watch.cancel()
            self._said.append("The soundcheck has ended." if whole else
                              "The soundcheck has ended; see what is said above.")  # fmt: skip
        except BridgeError as error:
            self._said.append(str(error))
        except Exception:
            log.exception("pages: the soundcheck failed")
            self._said.append("The soundcheck failed; the bridge's log says how.")
            self._silence()
        finally:
            self._session = self._task = None

    def _silence(self) -> None:
        """A soundcheck that failed may have left something up: everything down."""
        now_s = asyncio.get_running_loop().time()
        if self._session is not None:
            self._session.procedure.down(now_s)
            self._session.procedure.press_silence(now_s)
            self._bridge.wished()

    async def _keep(self, edit: Edit) -> None:
        await asyncio.to_thread(change_marks, self._rig, edit)  # a disk may take its time

    async def _watch(self, session: Session) -> None:
        """Take down what rises when nobody says any more that they listen."""
        loop = asyncio.get_running_loop()
        while True:
            await asyncio.sleep(LOOK_S)
            if loop.time() - self._here_s > HERE_S:
                session.let_go()

    async def close(self) -> None:
        """The bridge stops: everything of a soundcheck goes down first."""
        if self._task is None:
            return
        if self._session is not None:
            self._session.interrupt()
        _, late = await asyncio.wait([self._task], timeout=END_S)
        for task in late:
            task.cancel()
