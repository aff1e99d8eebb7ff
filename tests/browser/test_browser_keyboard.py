"""Without mouse and touch: the whole task of a performer and of the engineer."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from support.chromium import LAPTOP, PHONE, House, Program, Tab, shows
from support.onloop import on_loop
from support.paged import PASSPHRASE

from bridge.rig.layout import Parameter

pytestmark = pytest.mark.browser

HERE = """(() => { const e = document.activeElement;
  if (!e || e === document.body) return '';
  return e.id || e.getAttribute('aria-label') || e.textContent; })()"""
"""What has the focus: its id, else its name."""

SEEN = """(() => { const e = document.activeElement, b = e.getBoundingClientRect();
  const style = getComputedStyle(e), x = b.x + b.width / 2;
  const hits = [b.top + 3, b.top + b.height / 2, b.bottom - 3].filter((y) => {
    const top = document.elementFromPoint(x, y);
    return top && (top === e || e.contains(top) || top.contains(e) && top !== document.body); });
  return [parseFloat(style.outlineWidth) > 1 && style.outlineStyle !== 'none', hits.length]; })()"""
"""Whether the focus is drawn, and at how many of three heights its element is uncovered."""


async def tab_to(tab: Tab, wanted: str, *, back: bool = False, most: int = 80) -> list[str]:
    """Press Tab until an element that has this id or begins with this name has the focus."""
    passed: list[str] = []
    for _ in range(most):
        await tab.key("Tab", shift=back)
        here = str(await tab.js(HERE))
        if here:
            drawn, hits = await tab.js(SEEN)
            assert drawn, f"nothing shows that {here} has the focus"
            assert hits == 3, f"{here} has the focus and is covered, {hits} of 3 to see"
        if here.startswith(wanted):
            return passed
        passed.append(here)
    raise AssertionError(f"{wanted} is not reached by Tab: {passed}")


async def comes(house: House, true: Callable[[], bool]) -> None:
    await house.bridge.until(true)


@on_loop
async def test_a_performer_does_everything_by_keyboard(program: Program, tmp_path: Path) -> None:
    async with House(program, tmp_path) as house:
        bridge, tab = house.bridge, await house.tab(PHONE)
        await tab.go(bridge.base)
        await tab.until("document.activeElement && document.activeElement.id === 'code'")
        await tab.write(bridge.code("maud"))
        await tab.key("Enter")
        await tab.until("location.pathname === '/mine' && !document.body.matches('.cut')")
        send = bridge.send("accordion", "front")
        await tab_to(tab, "Accordion")
        if await tab.js("document.activeElement.getAttribute('role')") != "slider":
            await tab.key("Tab")
        assert await tab.js("document.activeElement.getAttribute('role')") == "slider"
        steps = (("ArrowRight", -17.0), ("ArrowUp", -16.0), ("PageDown", -19.0),
                 ("ArrowLeft", -20.0), ("Home", float("-inf")))  # fmt: skip
        for key, level in steps:
            await tab.key(key)
            await comes(house, lambda level=level: bridge.asked(send) == level)
        spoken = "document.activeElement.getAttribute('aria-valuetext')"
        await tab.until(f"{spoken}.startsWith('off')")
        await tab_to(tab, "Accordion louder")
        await tab.key("Enter")
        await comes(house, lambda: bridge.asked(send) == -40.0)
        await tab_to(tab, "ask")
        await tab.key(" ")
        await comes(house, lambda: len(bridge.engine.people.requests) == 1)
        for name, slot in (("dim", Parameter.BUS_DIM), ("mute", Parameter.BUS_MUTE)):
            await tab_to(tab, name)
            await tab.key(" ")
            await comes(house, lambda slot=slot: bridge.asked(bridge.slot(slot, "", "front")) == 1)
        await tab_to(tab, "undo")
        await tab.key("Enter")
        mute = bridge.slot(Parameter.BUS_MUTE, "", "front")
        await comes(house, lambda: bridge.asked(mute) == 0)
        await tab_to(tab, "start")
        await tab.key("Enter")
        await comes(house, lambda: bridge.asked(send) == -18.0)


@on_loop
async def test_the_engineer_does_everything_by_keyboard(program: Program, tmp_path: Path) -> None:
    async with House(program, tmp_path) as house:
        bridge, tab = house.bridge, await house.tab(LAPTOP, touch=False)
        await tab.go(f"{bridge.base}/#engineer")
        await tab.until("document.activeElement && document.activeElement.id === 'passphrase'")
        await tab.write(PASSPHRASE)
        await tab.key("Enter")
        await tab.until("location.pathname === '/desk' && !document.body.matches('.cut')")
        await tab_to(tab, "Master of Ines")
        for _ in range(5):
            await tab.key("ArrowRight")
        await tab.key("ArrowDown")
        await tab.until(f"{HERE}.startsWith('Voice in Maud')")
        await tab.key("+")
        voice = bridge.send("voice", "front")
        await comes(house, lambda: bridge.asked(voice) == -11.0)
        await tab.key("-")
        await comes(house, lambda: bridge.asked(voice) == -12.0)
        await tab.until(shows("#chosen-rail", "Voice in Maud"))
        await tab_to(tab, "Open: Tomas")
        await tab.key(" ")
        left = bridge.slot(Parameter.BUS_OPEN, "", "left")
        await comes(house, lambda: bridge.asked(left) == 1)
        await tab_to(tab, "limit")
        await tab.key("Enter")
        await tab_to(tab, "Maud no higher", back=True)
        await tab.key("Enter")
        await tab.until(shows("#limits-who", "Maud: no higher than"))
        assert (await tab.js(HERE)).startswith("Maud no higher"), "the focus stays where it was"
        await tab.key("Escape")
        await tab.until(f"{HERE} === 'limit' && document.getElementById('limits').hidden")
        await tab_to(tab, "silence")
        await tab.key("Enter")
        silence = bridge.slot(Parameter.SILENCE)
        await comes(house, lambda: bridge.asked(silence) == 1)
        await tab.until(shows("#silence", "All is silent"))
        await tab.key("Enter")
        await tab.until(shows("#silence", "Press again"))
        await tab.key("Enter")
        await comes(house, lambda: bridge.asked(silence) == 0)


@on_loop
async def test_the_engineer_looks_after_people_by_keyboard(
    program: Program, tmp_path: Path
) -> None:
    async with House(program, tmp_path) as house:
        bridge, tab = house.bridge, await house.engineer()
        bridge.wish(bridge.slot(Parameter.ASK, "accordion", "front"), 1.0, who=1)
        await tab.until("!document.getElementById('asks-part').hidden")
        await tab_to(tab, "Give 3 dB more")
        await tab.key("Enter")
        await comes(house, lambda: bridge.asked(bridge.send("accordion", "front")) == -15.0)
        await tab.until("document.getElementById('asks-part').hidden")
        await tab_to(tab, "Freeze Maud")
        await tab.key("Enter")
        await tab.until("document.activeElement.getAttribute('aria-pressed') === 'true'")
        await tab_to(tab, "Code to join for Maud")
        await tab.key("Enter")
        await tab.until("document.activeElement.id === 'joining'")
        await tab_to(tab, "Close")
        await tab.key("Enter")
        await tab.until("document.getElementById('joining').hidden")
        assert await tab.js("document.activeElement !== document.body"), "the focus is not lost"


@on_loop
async def test_nothing_on_a_page_takes_the_keyboard_captive(
    program: Program, tmp_path: Path
) -> None:
    async with House(program, tmp_path) as house:
        for tab in await house.devices("ines", "engineer"):
            ends = await tab.js("document.querySelector('#silence, #start').id")
            passed = await tab_to(tab, ends, most=120)
            assert len(passed) == len(set(passed)), "each control is met once"
