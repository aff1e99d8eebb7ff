"""The browser of `tools/chromium.py`, with what the pages' tests do in it again and again."""

from __future__ import annotations

import asyncio
import functools
import json
import sys
import time
from pathlib import Path
from types import TracebackType
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "tools"))

from chromium import LAPTOP, PHONE, SMALL, Browser, Program, Tab

from bridge.pages.doors import COOKIES

from .paged import DEMO, Paged, paged_rig

__all__ = ["LAPTOP", "PHONE", "QUICK", "SMALL", "Browser", "House", "Program", "Tab"]


RAMPS = {"rise_db_per_s = 12": "rise_db_per_s = 40", "step_db = 1": "step_db = 6",
         "ramp_floor_db = -50": "ramp_floor_db = -30"}  # fmt: skip
QUICK = functools.reduce(lambda text, pair: text.replace(*pair), RAMPS.items(), DEMO)
"""The demo's rig with ramps that nobody has to wait for."""


class House:
    """A bridge with pages and the devices around it: ``async with House(program, folder)``.

    Whatever a page or the browser's policy complains about, and whatever a page asks for
    elsewhere, fails the test at its end.

    Attributes:
        bridge: The bridge.
    """

    def __init__(self, program: Program, folder: Path, **rig: Any) -> None:
        self.bridge = Paged(paged_rig(folder, **{"text": QUICK, **rig}))
        self.browser = Browser(program)
        self.tabs: list[Tab] = []

    async def __aenter__(self) -> House:
        await self.bridge.__aenter__()
        await self.browser.__aenter__()
        await self.bridge.running()
        await self.bridge.until(self.bridge.daemon.house.rests)
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        problem: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self.browser.__aexit__()
        await self.bridge.__aexit__(kind, problem, trace)
        if problem is None:
            for tab in self.tabs:
                assert tab.complaints == [], tab.complaints  # pytest rewrites no assert here
                assert tab.outside(self.bridge.base) == [], tab.outside(self.bridge.base)

    async def tab(self, size: tuple[int, int] = PHONE, *, touch: bool = True) -> Tab:
        """Another device."""
        tab = await self.browser.tab(size, touch=touch)
        self.tabs.append(tab)
        return tab

    async def performer(self, who: str, size: tuple[int, int] = PHONE) -> Tab:
        """A performer's device that has joined before."""
        tab = await self.tab(size)
        await self.let_in(tab, who)
        return tab

    async def engineer(self, size: tuple[int, int] = LAPTOP) -> Tab:
        """The engineer's device that has signed in before."""
        tab = await self.tab(size, touch=size != LAPTOP)
        await self.let_in(tab, "engineer")
        return tab

    async def devices(self, *who: str) -> list[Tab]:
        """Devices of several people, opened side by side: that takes half as long."""
        opening = (self.engineer() if one == "engineer" else self.performer(one) for one in who)
        return list(await asyncio.gather(*opening))

    async def let_in(self, tab: Tab, who: str) -> None:
        """Give a device a token and let it open its page, without a walk through the entrance."""
        engineer = who == "engineer"
        token, _ = self.bridge.pages.passes.give(who, time.time())
        self.bridge.pages.keep()
        await tab.call("Network.setCookie", url=self.bridge.base, name=COOKIES[engineer],
                       value=token, httpOnly=True, sameSite="Strict")  # fmt: skip
        await tab.go(f"{self.bridge.base}/{'desk' if engineer else 'mine'}")
        await tab.until("document.getElementById('cut') && !document.body.matches('.cut')")

    # -- where things are -----------------------------------------------------------------------

    def rail(self, channel: str, bus: str, part: str = ".bar") -> str:
        """Selector of a part of a send's bar: ``.bar``, ``.more``, ``.less``."""
        return f'[data-slot="{self.bridge.send(channel, bus)}"] {part}'


def shows(selector: str, words: str) -> str:
    """An expression: an element's text, or its name for screen readers, has these words."""
    return (
        f"((e) => e && (e.innerText + ' ' + (e.getAttribute('aria-label') || '') + ' ' +"
        f" (e.getAttribute('aria-valuetext') || '')).includes({json.dumps(words)}))"
        f"(document.querySelector({json.dumps(selector)}))"
    )


def enabled(selector: str) -> str:
    """An expression: an element is there and can be used."""
    found = f"document.querySelector({json.dumps(selector)})"
    return f"{found} && !{found}.disabled && {found}.getAttribute('aria-disabled') !== 'true'"
