"""When the bridge goes away: the page says so, nothing can be touched, it comes back by itself."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest
from support.chromium import House, Program, Tab, enabled, shows
from support.onloop import on_loop
from support.paged import Paged, paged_rig

pytestmark = pytest.mark.browser

USABLE = """[...document.querySelectorAll('button, input, [role=slider]')].filter((e) =>
  e.getClientRects().length && !e.disabled && e.getAttribute('aria-disabled') !== 'true')
  .map((e) => e.getAttribute('aria-label') || e.textContent)"""
"""What can still be touched."""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


async def gone(tab: Tab) -> None:
    """The page has seen that the bridge is gone, and says so where everybody sees it."""
    await tab.until(shows("#cut", "Not connected"))
    assert await tab.js("document.getElementById('cut').getAttribute('role')") == "alert"
    top, height = await tab.js(
        "(() => { const b = document.getElementById('cut').getBoundingClientRect();"
        " return [b.top, b.height]; })()"
    )
    assert 0 <= top < 100 and height > 20, "it stands where one looks first"
    assert await tab.js(USABLE) == []


@on_loop
async def test_pages_come_back_by_themselves_when_the_bridge_was_started_again(
    program: Program, tmp_path: Path
) -> None:
    async with House(program, tmp_path, port=free_port()) as house:
        ines, ruth = await house.devices("ines", "engineer")
        await ines.tap(house.rail("voice", "kit", ".less"))
        await house.bridge.until(
            lambda: house.bridge.asked(house.bridge.send("voice", "kit")) == -21.0
        )
        port = house.bridge.pages.port
        await house.bridge.__aexit__(None, None, None)
        await gone(ines)
        await gone(ruth)
        await ines.finger("touchStart", *(await ines.middle(house.rail("voice", "kit"))))
        await ines.finger("touchEnd")
        house.bridge = Paged(paged_rig(tmp_path, port=port))
        await house.bridge.__aenter__()
        for tab in (ines, ruth):
            await tab.until("document.getElementById('cut').hidden")
        await ines.until(enabled(house.rail("voice", "kit", ".more")))
        await ines.tap(house.rail("voice", "kit", ".more"))
        send = house.bridge.send("voice", "kit")
        await house.bridge.until(lambda: house.bridge.asked(send) == -19.0)
        await ruth.until(shows('.cell[aria-label^="Voice in Ines"]', "−19.0"))


@on_loop
async def test_a_finger_that_lies_on_a_bar_when_the_bridge_goes_does_not_reach_the_next_one(
    program: Program, tmp_path: Path
) -> None:
    async with House(program, tmp_path, port=free_port()) as house:
        ines, port = await house.performer("ines"), house.bridge.pages.port
        x, y = await ines.middle(house.rail("voice", "kit"))
        await ines.finger("touchStart", x, y)
        await ines.finger("touchMove", x + 20, y)
        await house.bridge.__aexit__(None, None, None)
        await gone(ines)
        house.bridge = Paged(paged_rig(tmp_path, port=port))
        await house.bridge.__aenter__()
        await house.bridge.running()
        await ines.until(enabled(house.rail("voice", "kit", ".more")))
        await ines.finger("touchMove", x + 90, y)
        await ines.finger("touchMove", x + 100, y)
        await ines.finger("touchEnd")
        await ines.until(shows(house.rail("bass", "kit"), "−12.0"))
        await ines.click(house.rail("bass", "kit", ".less"))  # a tap would end the fling
        bass = house.bridge.send("bass", "kit")
        await house.bridge.until(lambda: house.bridge.asked(bass) < -12.0)
        assert house.bridge.asked(house.bridge.send("voice", "kit")) == -20.0


@on_loop
async def test_a_bridge_that_was_replaced_without_its_tokens_asks_for_a_new_code(
    program: Program, tmp_path: Path
) -> None:
    async with House(program, tmp_path, port=free_port()) as house:
        ines, port = await house.performer("ines"), house.bridge.pages.port
        await house.bridge.__aexit__(None, None, None)
        await gone(ines)
        for kept in tmp_path.glob("*.tokens.json"):
            kept.unlink()
        house.bridge = Paged(paged_rig(tmp_path, port=port))
        await house.bridge.__aenter__()
        await ines.until("location.pathname === '/'")
        await ines.until(shows("#join-said", "signed out"))


@on_loop
async def test_a_console_that_is_lost_is_said_on_every_page(
    program: Program, tmp_path: Path
) -> None:
    async with House(program, tmp_path) as house:
        ines, ruth = await house.devices("ines", "engineer")
        house.bridge.cable.bridge_end.pull()
        await ines.until(shows("#state", "The console does not answer"))
        await ruth.until(shows("#console", "CONSOLE LOST"))
        house.bridge.cable.bridge_end.plug()
        await ruth.until(shows("#console", "Console answers"))
        await ines.until(f"!({shows('#state', 'does not answer')})")
