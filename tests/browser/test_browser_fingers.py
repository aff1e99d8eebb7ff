"""A finger on a bar: nothing jumps under it, and afterwards the bar shows what is."""

from __future__ import annotations

from pathlib import Path

import pytest
from support.chromium import House, Program, Tab, shows
from support.onloop import on_loop

pytestmark = pytest.mark.browser

WATCH = """(() => {
  const bar = document.querySelector(SELECTOR);
  window.seen = [];
  const note = () => window.seen.push(Number(bar.getAttribute('aria-valuenow')));
  note();
  new MutationObserver(note).observe(bar, {attributes: true, attributeFilter: ['aria-valuenow']});
})()"""
"""Notes every value that a bar shows from now on."""

FRAMES = "new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"
"""Until the page has drawn twice: movements of a finger reach it once a frame."""


async def watch(tab: Tab, bar: str) -> None:
    await tab.js(WATCH.replace("SELECTOR", repr(bar)))


async def value(tab: Tab, bar: str) -> float:
    return float(await tab.js(f"Number(document.querySelector({bar!r}).ariaValueNow)"))


async def drag(tab: Tab, start: tuple[float, float], dx: float, steps: int = 8) -> None:
    """Move the finger sideways; it stays down."""
    for step in range(1, steps + 1):
        await tab.finger("touchMove", start[0] + dx * step / steps, start[1])
    await tab.js(FRAMES)


@on_loop
async def test_a_drag_starts_where_the_level_is_and_not_where_the_finger_lies(
    program: Program, tmp_path: Path
) -> None:
    async with House(program, tmp_path) as house:
        ines = await house.performer("ines")
        bar, send = house.rail("bass", "kit"), house.bridge.send("bass", "kit")
        x, y = await ines.middle(bar)
        await watch(ines, bar)
        await ines.finger("touchStart", x - 100, y)  # far below the level, which stays
        await drag(ines, (x - 100, y), 40)
        await ines.finger("touchEnd")
        await house.bridge.until(lambda: house.bridge.asked(send) > -12.0)
        seen = await ines.js("window.seen")
        assert min(seen) >= -12.0, "it never fell to where the finger was put"
        assert sorted(seen) == seen, "it only rose"


@on_loop
async def test_a_touch_without_a_drag_moves_nothing(program: Program, tmp_path: Path) -> None:
    async with House(program, tmp_path) as house:
        ines = await house.performer("ines")
        x, y = await ines.middle(house.rail("bass", "kit"))
        await ines.finger("touchStart", x + 60, y)
        await ines.finger("touchMove", x + 64, y)
        await ines.finger("touchEnd")
        await ines.tap(house.rail("voice", "kit", ".more"))  # said after the touch
        voice = house.bridge.send("voice", "kit")
        await house.bridge.until(lambda: house.bridge.asked(voice) > -20.0)
        assert house.bridge.asked(house.bridge.send("bass", "kit")) == -12.0


@on_loop
async def test_a_ceiling_that_moves_under_a_finger_does_not_move_the_bar(
    program: Program, tmp_path: Path
) -> None:
    async with House(program, tmp_path) as house:
        ines, bridge = await house.performer("ines"), house.bridge
        bar, send = house.rail("voice", "kit"), bridge.send("voice", "kit")
        x, y = await ines.middle(bar)
        await ines.finger("touchStart", x, y)
        await drag(ines, (x, y), -30)
        await bridge.until(lambda: bridge.asked(send) < -21.0)
        held = await value(ines, bar)
        await ines.until(f"Number(document.querySelector({bar!r}).ariaValueNow) === {held}")
        await watch(ines, bar)
        for ceiling_db in (-6.0, -9.0, -12.0, -4.0):
            bridge.engine.people.set_ceiling(-1, send, ceiling_db)
            bridge.daemon.wished()
            await ines.until(shows(bar, "the engineer's limit"))
            await ines.until(f"document.querySelector({bar!r}).ariaValueMax == {ceiling_db}")
        assert set(await ines.js("window.seen")) == {held}
        await ines.finger("touchEnd")
        await bridge.until(lambda: round(bridge.asked(send), 1) == held)
        await ines.until(f"Number(document.querySelector({bar!r}).ariaValueNow) === {held}")


@on_loop
async def test_a_ceiling_that_falls_below_the_finger_is_shown_as_the_end_of_the_bar_and_rules(
    program: Program, tmp_path: Path
) -> None:
    async with House(program, tmp_path) as house:
        ines, bridge = await house.performer("ines"), house.bridge
        bar, send = house.rail("voice", "kit"), bridge.send("voice", "kit")
        x, y = await ines.middle(bar)
        await ines.finger("touchStart", x, y)
        await drag(ines, (x, y), 30)
        await bridge.until(lambda: bridge.asked(send) > -19.0)
        bridge.engine.people.set_ceiling(-1, send, -25.0)
        bridge.daemon.wished()
        await ines.until(shows(bar, "the engineer's limit"))
        await drag(ines, (x + 30, y), 20)
        await ines.finger("touchEnd")
        await bridge.until(lambda: bridge.asked(send) <= -25.0)
        await ines.until(f"Number(document.querySelector({bar!r}).ariaValueNow) <= -25")
        assert bridge.asked(send) <= -25.0


@on_loop
async def test_what_somebody_else_does_meanwhile_shows_after_the_finger_is_lifted(
    program: Program, tmp_path: Path
) -> None:
    async with House(program, tmp_path) as house:
        ines, bridge = await house.performer("ines"), house.bridge
        bar, send = house.rail("voice", "kit"), bridge.send("voice", "kit")
        x, y = await ines.middle(bar)
        await ines.finger("touchStart", x, y)
        await drag(ines, (x, y), -40)
        await bridge.until(lambda: bridge.asked(send) < -22.0)
        held = await value(ines, bar)
        await bridge.until(lambda: round(bridge.asked(send), 1) == held)
        await watch(ines, bar)
        bridge.wish(send, -50.0)
        await ines.until(shows(bar, "Ruth moves this too"))
        assert set(await ines.js("window.seen")) == {held}, "the bar stays under the finger"
        await ines.finger("touchEnd")
        await bridge.until(lambda: round(bridge.asked(send), 1) == held)
        bridge.wish(send, -50.0)
        await ines.until(f"Number(document.querySelector({bar!r}).ariaValueNow) === -50")


@on_loop
async def test_a_finger_that_slides_up_and_down_scrolls_the_page_and_moves_no_level(
    program: Program, tmp_path: Path
) -> None:
    async with House(program, tmp_path) as house:
        ines, bridge = await house.performer("ines", (320, 568)), house.bridge
        before = list(bridge.engine.matrix.asked)
        x, y = await ines.middle(house.rail("bass", "kit"))
        await ines.finger("touchStart", x, y)
        for step in range(1, 9):
            await ines.finger("touchMove", x + step / 2, y - 20.0 * step)
        await ines.finger("touchEnd")
        await ines.until("window.scrollY > 20")
        await ines.click(house.rail("click", "kit", ".less"))  # a tap would end the fling
        await bridge.until(lambda: bridge.asked(bridge.send("click", "kit")) < -15.0)
        after = list(bridge.engine.matrix.asked)
        assert [s for s, v in enumerate(after) if v != before[s]] == [bridge.send("click", "kit")]


@on_loop
async def test_a_button_that_is_held_repeats_and_stops_when_it_is_released(
    program: Program, tmp_path: Path
) -> None:
    async with House(program, tmp_path) as house:
        ines, bridge = await house.performer("ines"), house.bridge
        send = bridge.send("voice", "kit")
        await ines.finger("touchStart", *(await ines.middle(house.rail("voice", "kit", ".less"))))
        await bridge.until(lambda: bridge.asked(send) <= -23.0)
        await ines.finger("touchEnd")
        await ines.tap(house.rail("bass", "kit", ".more"))
        await bridge.until(lambda: bridge.asked(bridge.send("bass", "kit")) > -12.0)
        stopped = bridge.asked(send)
        await ines.js("new Promise((done) => setTimeout(done, 400))")  # three repeats would fit
        assert bridge.asked(send) == stopped
