"""Every page in each of its states: accessible, nothing too small, nothing too wide."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest
from support.chromium import LAPTOP, QUICK, SMALL, House, Program, Tab, enabled, shows
from support.looks import all_findings
from support.onloop import on_loop

from bridge.rig.layout import Parameter

pytestmark = pytest.mark.browser

SIZES = pytest.mark.parametrize("size", [SMALL, LAPTOP], ids=["320", "1280"])


SHELF = QUICK + '\n[presets]\norder = ["reel"]\n'

Step = Callable[[House, Tab], Awaitable[None]]


async def walk(house: House, tab: Tab, steps: dict[str, Step], usual: tuple[int, int]) -> None:
    """Take a page from state to state, and look for faults in each.

    What axe-core looks for hardly depends on the size: at the page's usual one it looks in every
    state, at the other one in the first.
    """
    found: list[str] = []
    for name, step in steps.items():
        await step(house, tab)
        axe = tab.width == usual[0] or step is next(iter(steps.values()))
        found += await all_findings(tab, name, axe=axe)
    assert found == [], "\n".join(found)


# -- the entrance -------------------------------------------------------------------------------


async def fresh(house: House, tab: Tab) -> None:
    await tab.go(house.bridge.base)
    await tab.until("document.activeElement && document.activeElement.id === 'code'")


async def wrong_code(_: House, tab: Tab) -> None:
    await tab.write("AAAAAA")
    await tab.key("Enter")
    await tab.until(shows("#join-said", "not known"))


async def for_the_engineer(_: House, tab: Tab) -> None:
    await tab.click("#desk summary")
    await tab.until("document.getElementById('desk').open")


async def wrong_passphrase(_: House, tab: Tab) -> None:
    await tab.click("#passphrase")
    await tab.write("high tide")
    await tab.key("Enter")
    await tab.until(shows("#sign-said", "not the passphrase"))


@SIZES
@on_loop
async def test_the_entrance_has_no_findings(
    program: Program, tmp_path: Path, size: tuple[int, int]
) -> None:
    async with House(program, tmp_path) as house:
        tab = await house.tab(size, touch=size != LAPTOP)
        await walk(house, tab, {
            "fresh": fresh, "wrong code": wrong_code, "engineer": for_the_engineer,
            "wrong passphrase": wrong_passphrase,
        }, SMALL)  # fmt: skip


# -- a performer --------------------------------------------------------------------------------


async def as_it_is(_: House, tab: Tab) -> None:
    await tab.until("!document.body.matches('.cut')")


async def moved(house: House, tab: Tab) -> None:
    await tab.click(house.rail("voice", "kit", ".more"))
    await tab.until(shows(house.rail("voice", "kit"), "−19.0"))


async def limited(house: House, tab: Tab) -> None:
    house.bridge.engine.people.set_ceiling(-1, house.bridge.send("voice", "kit"), -19.0)
    house.bridge.daemon.wished()
    await tab.until(shows(house.rail("voice", "kit"), "At the engineer"))
    await tab.click(house.rail("voice", "kit", ".more"))
    await tab.until("[...document.querySelectorAll('.bubble')].some((b) => !b.hidden)")


async def with_others(house: House, tab: Tab) -> None:
    house.bridge.wish(house.bridge.send("bass", "kit"), -14.0)
    await tab.until(shows(house.rail("bass", "kit"), "moves this too"))


async def asked(_: House, tab: Tab) -> None:
    await tab.click("#ask")
    await tab.until("document.getElementById('ask').disabled")


async def muted(_: House, tab: Tab) -> None:
    await tab.click("#mute")
    await tab.until("document.getElementById('mute').getAttribute('aria-pressed') === 'true'")
    await tab.until(shows("#state", "Muted"))


async def dimmed(_: House, tab: Tab) -> None:
    await tab.click("#mute")
    await tab.click("#dim")
    await tab.until(shows("#state", "Dimmed"))


async def silenced(house: House, tab: Tab) -> None:
    house.bridge.wish(house.bridge.slot(Parameter.SILENCE), 1.0)
    await tab.until(shows("#state", "silenced everything"))


async def console_lost(house: House, tab: Tab) -> None:
    house.bridge.wish(house.bridge.slot(Parameter.SILENCE), 0.0)
    house.bridge.cable.bridge_end.pull()
    await tab.until(shows("#state" if "mine" in await tab.js("location.pathname") else "#console",
                          "ONSOLE LOST" if "desk" in await tab.js("location.pathname")
                          else "does not answer"))  # fmt: skip


async def disconnected(house: House, tab: Tab) -> None:
    await house.bridge.__aexit__(None, None, None)
    await tab.until(shows("#cut", "Not connected"))


async def kept(_: House, tab: Tab) -> None:
    """A mix is kept as a preset, and another one wants its name."""
    for _ in range(2):
        await tab.until(enabled("#store-label"))
        await tab.js("document.getElementById('preset-said').textContent = ''")
        await tab.click("#store-label")
        await tab.write("Slow waltz")
        await tab.key("Enter")
        await tab.until("document.getElementById('preset-said').textContent")
    await tab.until("!document.getElementById('store-again').hidden")


@SIZES
@on_loop
async def test_a_performers_page_has_no_findings(
    program: Program, tmp_path: Path, size: tuple[int, int]
) -> None:
    async with House(program, tmp_path, text=SHELF) as house:
        tab = await house.performer("ines", size)
        await walk(house, tab, {
            "as it is": as_it_is, "moved": moved, "limited": limited, "others": with_others,
            "asked": asked, "muted": muted, "dimmed": dimmed, "preset kept": kept,
            "silenced": silenced, "console lost": console_lost, "disconnected": disconnected,
        }, SMALL)  # fmt: skip


# -- the engineer -------------------------------------------------------------------------------


async def with_ask(house: House, tab: Tab) -> None:
    house.bridge.wish(house.bridge.slot(Parameter.ASK, "accordion", "front"), 1.0, who=1)
    await tab.until("!document.getElementById('asks-part').hidden")


async def chosen(house: House, tab: Tab) -> None:
    await tab.click('.cell[aria-label^="Voice in Maud"]')
    await tab.until(shows("#chosen-rail", "Voice in Maud"))


async def limits_open(_: House, tab: Tab) -> None:
    await tab.click("#limit")
    await tab.until("!document.getElementById('limits').hidden")


async def limit_set(_: House, tab: Tab) -> None:
    await tab.click('[aria-label="Maud no higher than it stands now"]')
    await tab.until(shows("#limits-who", "no higher than"))


async def code_shown(_: House, tab: Tab) -> None:
    await tab.key("Escape")
    await tab.click('[aria-label="Code to join for Tomas"]')
    await tab.until("document.querySelector('#joining svg')")


async def compared(_: House, tab: Tab) -> None:
    await tab.click('[aria-label="Compare with Slow waltz"]')
    await tab.until("!document.getElementById('compare').hidden")


async def refused(house: House, tab: Tab) -> None:
    house.bridge.wish(house.bridge.send("voice", "left"), -3.0, who=0)
    await tab.until("document.querySelector('#last li:not(.quiet)')")


async def silent(_: House, tab: Tab) -> None:
    await tab.click("#silence")
    await tab.until("document.body.matches('.silent')")


async def press_again(_: House, tab: Tab) -> None:
    await tab.click("#silence")
    await tab.until(shows("#silence", "Press again"))


async def taken(house: House, tab: Tab) -> None:
    house.bridge.wish(house.bridge.slot(Parameter.SILENCE), 0.0)
    for name in ("Take over from its performers: Maud", "Freeze Ines", "Freeze everybody"):
        way = f'[aria-label="{name}"]' if name != "Freeze everybody" else "#freeze"
        await tab.click(way)
        await tab.until(f"document.querySelector({way!r}).getAttribute('aria-pressed') === 'true'")


async def soundcheck(_: House, tab: Tab) -> None:
    await tab.click("#sound-begin")
    await tab.until("document.querySelector('#sound-words button')")


@SIZES
@on_loop
async def test_the_engineers_page_has_no_findings(
    program: Program, tmp_path: Path, size: tuple[int, int]
) -> None:
    async with House(program, tmp_path, text=SHELF) as house:
        tab = await house.engineer(size)
        await walk(house, tab, {
            "as it is": as_it_is, "ask": with_ask, "chosen": chosen, "limits": limits_open,
            "limit set": limit_set, "code": code_shown, "kept": kept, "compared": compared,
            "refused": refused, "silent": silent, "press again": press_again, "taken": taken,
            "soundcheck": soundcheck, "console lost": console_lost,
            "disconnected": disconnected,
        }, LAPTOP)  # fmt: skip
