"""Learning at a controller of a running bridge, for a page: numbers in, a picture out. I/O.

While it lasts the controller's movements teach and do not mix, except for "silence all"; what is
written is in force at once. To read, compile and write takes longer than a mix may wait, so all of
it is done in a thread, one thing after another; what is heard meanwhile waits its turn.
"""

from __future__ import annotations

import asyncio
import logging
import math
from collections import deque
from collections.abc import Coroutine, Iterable
from typing import Protocol

from bridge.errors import BridgeError, MapError
from bridge.house import controller_words
from bridge.learning import texts
from bridge.learning.lesson import Lesson, MapText, Step
from bridge.learning.map_file import add_entry, console_map, controller_map
from bridge.learning.picture import picture
from bridge.learning.study import Study
from bridge.maps.controller import ControllerWords
from bridge.maps.load import parse_map
from bridge.rig.rig import Rig

log = logging.getLogger("foldbridge.learning")

ALONE_S = 180.0
"""A lesson that nobody answers for so long is over: the controller's owner wants to mix."""

WAITING_MAX = 4096
"""Messages kept while something is being worked out: half a second of a MIDI wire and more."""


_Work = Coroutine[None, None, None]


class Controls(Protocol):
    """What it needs of the running bridge."""

    def learn(self, number: int, on: bool) -> None:
        """Leave a controller's movements out of the mix, or take them in again."""

    def exchange(self, number: int, words: ControllerWords) -> None:
        """From now on a controller means this."""


class Live:
    """At most one lesson.

    Args:
        rig: What was declared.
        controls: The controllers of the bridge.

    Attributes:
        number: The controller that is learned at; -1 while none is.
        through: Its movements mix as well: the person wants to hear what they do.
    """

    def __init__(self, rig: Rig, controls: Controls) -> None:
        self._rig, self._controls = rig, controls
        self._lesson: Lesson | None = None
        self._map: MapText | None = None
        self._busy: asyncio.Task[None] | None = None
        self._waiting: deque[tuple[bytes, float]] = deque(maxlen=WAITING_MAX)
        self._asked_s = -math.inf
        self._over = ""
        self.number, self.through = -1, False

    # -- from the page --------------------------------------------------------------------------

    def begin(self, number: int, now_s: float) -> str:
        """Begin to learn at a controller.

        Args:
            number: Its number in the rig.
            now_s: This moment, s.

        Returns:
            Why not, in words; else nothing.
        """
        if not 0 <= number < len(self._rig.file.controller):
            return "there is no such controller"
        if self.number >= 0:
            return f"{self._rig.file.controller[self.number].id} is being learned at: end that"
        if self._busy is not None:
            return "the last lesson is still being written: a moment"
        self.number, self.through, self._over, self._asked_s = number, False, "", now_s
        self._controls.learn(number, True)
        self._start(self._prepare(number))
        return ""

    def act(self, word: str, number: int = 0, amount: float = math.nan, *, now_s: float) -> str:
        """Do what the person wants.

        Args:
            word: ``is`` and ``pick`` with a number from 0, ``still`` (the movement is over),
                ``again``, ``back``, ``write``, ``through`` (1: its movements mix as well), ``end``.
            number: What the word has.
            amount: For ``pick``: dB or value, NaN for the usual.
            now_s: This moment, s.

        Returns:
            Why not, in words; else nothing.
        """
        if self.number < 0:
            return "nothing is being learned"
        self._asked_s = now_s
        if word == "end":
            self.end()
        elif word == "through":
            self.through = number > 0
            self._controls.learn(self.number, not self.through)
        elif self._busy is not None or self._lesson is None:
            return "one moment: the last answer is being worked out"
        elif word in ("is", "pick", "still", "again", "back", "write"):
            self._start(self._answer(self._lesson, word, number, amount))
        else:
            return "there is no such word"
        return ""

    def end(self, why: str = "") -> None:
        """Let go of the controller; what was not written is gone."""
        if self.number >= 0:
            self._controls.learn(self.number, False)
            self._over = why
        self.number, self._lesson, self._map = -1, None, None
        self._waiting.clear()

    async def rest(self) -> None:
        """Wait until nothing is being worked out or written any more."""
        while self._busy is not None:
            await asyncio.shield(self._busy)

    def picture(self) -> dict[str, object]:
        """All that a page shows."""
        if self.number < 0:
            return {"controller": "", "over": self._over}
        if self._lesson is None or self._busy is not None:
            return {"controller": self._rig.file.controller[self.number].id, "busy": True}
        return {**picture(self._lesson), "through": self.through}

    # -- from the bridge ------------------------------------------------------------------------

    def heard(self, number: int, datas: Iterable[bytes], now_s: float) -> None:
        """Take what a controller said; costs next to nothing while it is another one."""
        if number != self.number or self._is_alone(now_s):
            return
        self._waiting.extend((data, now_s) for data in datas)
        try:
            self._listen()
        except Exception:  # whoever hands on what a controller said must get on with the mix
            self._failed()

    def look(self, now_s: float) -> None:
        """Let time pass; some ten times a second while something is learned."""
        if self.number < 0:
            return
        self._listen()
        if not self._is_alone(now_s) and self._lesson is not None and self._busy is None:
            self._lesson.advance(now_s)

    def _is_alone(self, now_s: float) -> bool:
        """Whether nobody has answered for so long that it is over now."""
        if now_s - self._asked_s < ALONE_S:
            return False
        self.end("nobody answered for three minutes, so the controller mixes again")
        return True

    def _listen(self) -> None:
        """Hand on what waits, unless the lesson is busy."""
        if self._lesson is None or self._busy is not None:
            return
        while self._waiting:
            self._lesson.hear(*self._waiting.popleft())

    # -- what takes time ------------------------------------------------------------------------

    def _start(self, work: _Work) -> None:
        self._busy = asyncio.get_running_loop().create_task(self._do(work), name="learning")

    async def _do(self, work: _Work) -> None:
        try:
            await work
        except BridgeError as error:
            self.end(str(error))
        except Exception:  # a fault here must not leave a controller without its mix
            self._failed()
        finally:
            self._busy = None

    def _failed(self) -> None:
        log.exception("learning: ended by a fault of its own")
        self.end("learning failed: the log says where")

    async def _prepare(self, number: int) -> None:
        study, text = await asyncio.to_thread(_study, self._rig, number)
        lesson = await asyncio.to_thread(Lesson, study, text, lambda line: None)
        self._lesson, self._map = lesson, text  # of no use any more where it was ended meanwhile

    async def _answer(self, lesson: Lesson, word: str, number: int, amount: float) -> None:
        if word == "pick":
            await asyncio.to_thread(lesson.pick, number, amount)
        elif word != "still" or lesson.step is Step.WATCHING:  # else an empty line is an answer
            line = {"is": f"is {number + 1}", "still": ""}.get(word, word)
            await asyncio.to_thread(lesson.line, line)
        if lesson.step is Step.WRITING:
            await self._write(lesson)

    async def _write(self, lesson: Lesson) -> None:
        """Write the entry, and have it in force."""
        assert self._map is not None, "there is a lesson"
        text = self._map
        try:
            where = await asyncio.to_thread(add_entry, lesson.study, text, lesson.entry)
        except MapError as error:
            lesson.not_written(error.faults)
            return
        log.info("learned: %s", where)
        for number, words in await asyncio.to_thread(_compiled, lesson.study, text):
            self._controls.exchange(number, words)
        if self.number >= 0 and not self.through:
            self._controls.learn(self.number, True)
        lesson.written(where, texts.IN_FORCE)


def _study(rig: Rig, number: int) -> tuple[Study, MapText]:
    text = controller_map(rig, number)
    return Study(rig, number, console_map(rig)), text


def _compiled(study: Study, text: MapText) -> list[tuple[int, ControllerWords]]:
    """The words of every controller that uses a map."""
    map_file = parse_map(text.text, text.where)
    return [(number, controller_words(study.rig, number, map_file)) for number in study.sharing()]
