"""One lesson at one controller's link: messages and lines in, texts out. I/O."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from bridge.errors import LinkError, MapError
from bridge.learning.lesson import Lesson, MapText, Step
from bridge.learning.map_file import add_entry
from bridge.learning.study import Study
from bridge.links.address import SocketAddress, parse_address
from bridge.links.base import Batch, Link
from bridge.rig.rig import Rig
from bridge.roads import Roads

TICK_S = 0.1
"""Time between two looks whether a movement is over."""


class Session:
    """A lesson on the real link.

    Args:
        study: The controller.
        map_text: Its map.
        say: Takes a line for the person.

    Attributes:
        lesson: Where it stands.

    Raises:
        LinkError: an address that cannot be.
    """

    def __init__(self, study: Study, map_text: MapText, say: Callable[[str], None]) -> None:
        self._study, self._map, self._say = study, map_text, say
        self.lesson = Lesson(study, map_text, say)
        self._greeted = False
        self._roads = Roads(study.rig, lambda batch: None, self._heard, self._changed)
        self._link = link_of(study.rig, study.number, self._roads)
        self._loop: asyncio.AbstractEventLoop

    async def run(self, lines: asyncio.Queue[str | None]) -> None:
        """Run until the person leaves.

        Args:
            lines: What the person types, a line each; None is the end of it.

        Raises:
            LinkError: the link can never work as declared.
        """
        self._loop = asyncio.get_running_loop()
        try:
            await self._open()
            self.lesson.greet()
            self._greeted = True
            while self.lesson.step is not Step.LEFT:
                await self._turn(lines)
        finally:
            await self._link.close()

    async def _open(self) -> None:
        try:
            await self._link.open()
        except LinkError as error:
            remedy = f"{error.remedy}; a bridge that runs has this port: stop it first"
            raise LinkError(error.link, error.found, remedy) from None
        if self._link.state != "open":
            self._say(f"{self._study.declared.id} is not there yet; it may be plugged in now.")

    async def _turn(self, lines: asyncio.Queue[str | None]) -> None:
        """The next line, or a little time."""
        try:
            async with asyncio.timeout(TICK_S):
                text = await lines.get()
        except TimeoutError:
            self.lesson.advance(self._loop.time())
            return
        self.lesson.advance(self._loop.time())
        self.lesson.line("quit" if text is None else text)
        if self.lesson.step is Step.WRITING:
            await write(self.lesson, self._map)

    def _changed(self, name: str, state: str) -> None:
        if self._greeted and state in ("open", "lost") and name == self._link.name:
            self._say(f"{self._study.declared.id} is {'there' if state == 'open' else 'gone'}.")

    def interrupt(self) -> None:
        """Leave; nothing was moved, so nothing has to be put back."""
        self.lesson.step = Step.LEFT

    def _heard(self, number: int, batch: Batch) -> None:
        if number == self._study.number:
            now_s = self._loop.time()
            for data, _ in batch:
                self.lesson.hear(data, now_s)


async def write(lesson: Lesson, map_text: MapText) -> None:
    """Put the entry of a lesson into its map's file, and tell the lesson how it went.

    Args:
        lesson: One that waits for it.
        map_text: The map; has the new text afterwards.
    """
    try:  # a disk may take its time
        where = await asyncio.to_thread(add_entry, lesson.study, map_text, lesson.entry)
    except MapError as error:
        lesson.not_written(error.faults)
    else:
        lesson.written(where)


def link_of(rig: Rig, number: int, roads: Roads) -> Link:
    """The one link of a controller; the console's is never among those looked at."""
    controller = rig.file.controller[number]
    name = controller.id
    if controller.listen is not None:
        where = rig.at(("controller", number, "listen"))
        address = parse_address(controller.listen, where, listen=True)
        assert isinstance(address, SocketAddress), "the roads have made a link of it"
        name = f"{address.transport}:{address.port}"
    return next(link for link in roads.links if link is not roads.console and link.name == name)
