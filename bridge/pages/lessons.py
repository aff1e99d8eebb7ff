"""Learning a control on the engineer's page: the lesson of the terminal, with buttons. I/O."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, Protocol

from bridge.learning.live import Controls, Live
from bridge.links.base import Batch
from bridge.pages.client import Client
from bridge.pages.messages import Said
from bridge.rig.rig import Rig

BEGIN = "begin"
"""The word that begins a lesson; its number is the controller's in the rig."""


class Listened(Controls, Protocol):
    """A bridge whose controllers can be listened in on."""

    @property
    def taps(self) -> list[Callable[[int, Batch, float], None]]:
        """Who hears what each controller says, before the mix does."""


class Lessons:
    """The lesson of a running bridge, for every page of the engineer's.

    Args:
        bridge: The running bridge.
        rig: Its rig.
    """

    def __init__(self, bridge: Listened, rig: Rig) -> None:
        self._rig, self._live = rig, Live(rig, bridge)
        bridge.taps.append(self._tap)

    @property
    def there(self) -> list[list[str]]:
        """Id of each controller, and whose hands are on it."""
        rig = self._rig
        return [[one.id, rig.person(rig.hands(one))] for one in rig.file.controller]

    def _tap(self, number: int, batch: Batch, now_s: float) -> None:
        """A controller has said something."""
        if number == self._live.number:
            self._live.heard(number, [data for data, _ in batch], now_s)

    def heard(self, _: Client, said: Said, now_s: float) -> str:
        """A word of the engineer's; what is not possible is said in words."""
        if said.text == BEGIN:
            return self._live.begin(said.number, now_s)
        amount = said.value if math.isfinite(said.value) else math.nan
        return self._live.act(said.text, said.number, amount, now_s=now_s)

    def picture(self, now_s: float) -> dict[str, Any]:
        """What pages show, this moment."""
        self._live.look(now_s)
        return self._live.picture()

    def gone(self) -> None:
        """No page of the engineer's is open any more: the controller mixes again."""
        self._live.end("the page was closed, so the controller mixes again")

    async def close(self) -> None:
        """The bridge stops: what is being written is written."""
        self._live.end()
        await self._live.rest()
