"""What the browser itself guards: no foreign code, no request elsewhere, no unwanted motion."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from aiohttp import web
from support.chromium import LAPTOP, House, Program, Tab
from support.onloop import on_loop

pytestmark = pytest.mark.browser

PLANT = """(() => {
  const script = document.createElement('script');
  script.textContent = 'window.planted = 1';
  document.body.appendChild(script);
  const button = document.createElement('button');
  button.setAttribute('onclick', 'window.planted = 2');
  document.body.appendChild(button);
  button.click();
  button.setAttribute('style', 'position: fixed');
  return getComputedStyle(button).position; })()"""

LEAK = """fetch('http://127.0.0.1:PORT/').then(() => 'it went out', () => 'refused')"""

MOTIONS = """[...document.querySelectorAll('*')].filter((e) => { const s = getComputedStyle(e);
  return s.animationName !== 'none' || s.scrollBehavior === 'smooth'
    || s.transitionDuration.split(',').some((d) => parseFloat(d) > 0); }).length"""
"""How many elements move by themselves."""


@contextlib.asynccontextmanager
async def framing(base: str) -> AsyncIterator[str]:
    """A page of somebody else's, on this machine, that shows ours in a frame."""

    async def page(_: web.Request) -> web.Response:
        return web.Response(text=f"<iframe src='{base}/'></iframe>", content_type="text/html")

    app = web.Application()
    app.add_routes([web.get("/", page)])
    runner = web.AppRunner(app)
    await runner.setup()
    try:
        site = web.TCPSite(runner, "127.0.0.1", 0)
        await site.start()
        yield "http://{}:{}".format(*runner.addresses[0])
    finally:
        await runner.cleanup()


async def every_page(house: House) -> list[Tab]:
    entrance = await house.tab()
    await entrance.go(house.bridge.base)
    pages = await house.devices("ines", "engineer")
    await entrance.until("document.activeElement && document.activeElement.id === 'code'")
    return [entrance, *pages]


@on_loop
async def test_code_that_is_planted_into_a_page_does_not_run_and_tells_nobody(
    program: Program, tmp_path: Path
) -> None:
    async with House(program, tmp_path) as house:
        for tab in await every_page(house):
            assert await tab.js(PLANT) == "static", "a style attribute has no effect"
            assert await tab.js("window.planted") is None
            elsewhere = LEAK.replace("PORT", "9")
            assert await tab.js(elsewhere) == "refused"
            await tab.until("true")
            assert any("Content Security Policy" in words for words in tab.complaints)
            tab.complaints.clear()
            tab.asked.clear()


@on_loop
async def test_a_page_cannot_be_framed_by_another(program: Program, tmp_path: Path) -> None:
    async with House(program, tmp_path) as house, framing(house.bridge.base) as elsewhere:
        tab = await house.tab(LAPTOP)
        await tab.go(elsewhere)
        await house.bridge.until(lambda: bool(tab.failed))
        assert tab.failed == ["net::ERR_BLOCKED_BY_RESPONSE"]
        await house.bridge.until(lambda: bool(tab.complaints))
        assert all("frame-ancestors 'none'" in words for words in tab.complaints)
        tab.complaints.clear()
        tab.asked.clear()


@on_loop
async def test_nothing_moves_where_somebody_prefers_that_nothing_does(
    program: Program, tmp_path: Path
) -> None:
    async with House(program, tmp_path) as house:
        for tab in await every_page(house):
            await tab.prefer(prefers_reduced_motion="reduce")
            await tab.until("matchMedia('(prefers-reduced-motion: reduce)').matches")
            assert await tab.js(MOTIONS) == 0
            await tab.prefer(prefers_reduced_motion="no-preference")
        assert await tab.js(MOTIONS) > 0, "else this test says nothing"


@on_loop
async def test_a_page_is_read_in_forced_colours_and_says_states_in_words(
    program: Program, tmp_path: Path
) -> None:
    async with House(program, tmp_path) as house:
        ines = await house.performer("ines")
        await ines.prefer(forced_colors="active")
        await ines.click("#mute")
        await ines.until("document.getElementById('mute').getAttribute('aria-pressed') === 'true'")
        await ines.until("document.getElementById('state').innerText === 'Muted'")
        marker = "getComputedStyle(document.getElementById('mute'), '::before').content"
        assert await ines.js(marker) not in ("none", "normal"), "pressed is more than a colour"


@on_loop
async def test_nothing_of_a_token_can_be_read_by_a_script(program: Program, tmp_path: Path) -> None:
    async with House(program, tmp_path) as house:
        for tab in await every_page(house):
            kept = await tab.js("[document.cookie, localStorage.length, sessionStorage.length]")
            assert kept == ["", 0, 0]
