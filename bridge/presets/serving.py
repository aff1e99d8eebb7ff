"""The task of a running bridge's presets: gestures in order, and a room over the day. I/O."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable

from bridge.errors import WireError
from bridge.presets import room
from bridge.presets.running import BUSY, CUE, UNDO, WAITING_MAX, Running
from bridge.rig.layout import Parameter
from bridge.rig.rig import Rig
from bridge.wire import midi_show

LOOK_S = 1.0
"""Time between two looks of a room at its clock: idle times and hours are minutes."""

_SYSTEM_EXCLUSIVE = b"\xf0\x7f"
"""How a universal real time message begins, MIDI Show Control among them."""

_GESTURES = {
    Parameter.PRESET_NEXT: room.NEXT,
    Parameter.PRESET_PREVIOUS: room.PREVIOUS,
    Parameter.PRESET_HOUSE: room.HOUSE,
    Parameter.PRESET_UNDO: UNDO,
}


def gesture_of(rig: Rig, slot: int) -> str:
    """What the presets call that which a slot asks for."""
    place = rig.layout.place(slot)
    if place.parameter is Parameter.PRESET:
        return rig.layout.presets[place.channel]
    return _GESTURES[place.parameter]


class Serving:
    """Gestures of controllers, noted at once and carried out in order.

    Args:
        running: The presets.
        minute_of_day: Local time, 0..1439.
    """

    def __init__(self, running: Running, minute_of_day: Callable[[], int]) -> None:
        self.running = running
        self._minute_of_day = minute_of_day
        self._calls: asyncio.Queue[tuple[int, str]] = asyncio.Queue(WAITING_MAX)

    def call(self, who: int, gesture: str) -> str:
        """Note a gesture. Never waits.

        Args:
            who: Performer's number, -1 the engineer.
            gesture: A preset's name, ``room.NEXT``, ``room.PREVIOUS``, ``room.HOUSE``,
                ``running.UNDO`` or a cue.

        Returns:
            Why it cannot be; empty when it was noted.
        """
        try:
            self._calls.put_nowait((who, gesture))
        except asyncio.QueueFull:
            return BUSY
        return ""

    def take_calls(self) -> None:
        """Note the presets that people called for through the rules."""
        people = self.running.engine.people
        if not people.calls:
            return
        calls, people.calls = people.calls, []
        for who, slot in calls:
            if why := self.call(who, gesture_of(self.running.rig, slot)):
                self.running.tell(f"{self.running.rig.person(who)}: preset: {why}")

    def heard(self, datas: Iterable[bytes], who: int) -> None:
        """A controller spoke, and its words have been before the rules."""
        for data in datas:
            if data.startswith(_SYSTEM_EXCLUSIVE) and (why := self.show_control(data, who)):
                self.running.tell(f"show control: {why}")
        self.take_calls()

    def touched(self) -> None:
        """A hand was on some control: the idle time of a room begins anew."""
        if self.running.room is not None:
            self.running.room.touched(self.running.clock())

    def show_control(self, data: bytes, who: int) -> str:
        """Take a MIDI Show Control message: a GO for the rig's device recalls the cue's preset.

        Args:
            data: A whole system exclusive message.
            who: Whose controller it came from.

        Returns:
            Why nothing follows from it; empty when a cue was noted, or it is not for us.
        """
        device = self.running.rig.file.presets.show_control
        if device is None:
            return ""
        try:
            go = midi_show.decode(data)
        except WireError as error:
            return error.reason
        return self.call(who, f"{CUE}{go.cue}") if go is not None and go.means(device) else ""

    async def serve(self) -> None:
        """Carry out gestures, and let a room look after itself, until cancelled."""
        await self.running.read_ahead()
        while True:
            await self._look()
            call = await self._next_call()
            if call is not None:
                await self._carry_out(*call)

    async def _next_call(self) -> tuple[int, str] | None:
        """The next gesture; None when it is time to look at the clock."""
        try:
            async with asyncio.timeout(None if self.running.room is None else LOOK_S):
                return await self._calls.get()
        except TimeoutError:
            return None

    async def _carry_out(self, who: int, gesture: str) -> None:
        if gesture == UNDO:
            await self.running.undo(who)
        else:
            await self.running.recall(gesture, who)

    async def _look(self) -> None:
        """What the room does by itself now, if the rig declares one."""
        running, here = self.running, self.running.room
        if here is None:
            return
        live = running.engine.running() and running.house.console.state == "live"
        order = here.advance(running.clock(), self._minute_of_day(), live=live)
        if order is not None:
            await running.obey(here, order)
