"""Two phones and one engineer at the same time: what one does, the others see."""

from __future__ import annotations

from pathlib import Path

import pytest
from support.chromium import House, Program, enabled, shows
from support.onloop import on_loop

from bridge.rig.layout import Parameter

pytestmark = pytest.mark.browser


def others(house: House, channel: str, bus: str) -> str:
    """An expression: the page marks a control as moved by somebody else too."""
    return f"document.querySelector('{house.rail(channel, bus, '')}').matches('.others')"


@on_loop
async def test_a_step_on_a_phone_is_on_the_engineers_page_and_not_on_another_performers(
    program: Program, tmp_path: Path
) -> None:
    async with House(program, tmp_path) as house:
        ines, maud, ruth = await house.devices("ines", "maud", "engineer")
        before = await maud.js("document.querySelector('#sources').innerText")
        await ines.tap(house.rail("accordion", "kit", ".more"))
        await ruth.until(shows('.cell[aria-label^="Accordion in Ines"]', "−40.0"))
        await ines.until(shows(house.rail("accordion", "kit"), "−40.0"))
        assert house.bridge.asked(house.bridge.send("accordion", "kit")) == -40.0
        assert await maud.js("document.querySelector('#sources').innerText") == before
        assert not await maud.js(f"!!document.querySelector('{house.rail('voice', 'kit', '')}')")


@on_loop
async def test_two_people_on_one_control_see_each_other(program: Program, tmp_path: Path) -> None:
    async with House(program, tmp_path) as house:
        phone, second, ruth = await house.devices("ines", "ines", "engineer")
        send = house.bridge.send("voice", "kit")
        await phone.tap(house.rail("voice", "kit", ".more"))
        await second.until(shows(house.rail("voice", "kit"), "Ines moves this too"))
        assert not await phone.js(others(house, "voice", "kit")), "a hand does not see itself"
        await ruth.until("document.querySelector('.cell.others')")
        await ruth.click('.cell[aria-label^="Voice in Ines"]')
        await ruth.until(f"document.querySelector('#chosen-rail [data-slot=\"{send}\"]')")
        await ruth.click("#chosen-rail .less")
        await phone.until(shows(house.rail("voice", "kit"), "Ruth"))
        await second.until(shows(house.rail("voice", "kit"), "Ruth"))
        for tab in (phone, second):
            await tab.until(shows(house.rail("voice", "kit"), "−20.0"))
            await tab.until(f"!{others(house, 'voice', 'kit')}")


@on_loop
async def test_a_finger_that_lies_still_is_seen_by_others_until_it_is_lifted(
    program: Program, tmp_path: Path
) -> None:
    async with House(program, tmp_path) as house:
        phone, second = await house.devices("ines", "ines")
        bar = house.rail("bass", "kit")
        await phone.finger("touchStart", *(await phone.middle(bar)))
        await second.until(shows(bar, "Ines moves this too"))
        await phone.finger("touchEnd")
        await second.until(f"!({shows(bar, 'moves this too')})")


@on_loop
async def test_an_ask_is_answered_with_one_touch(program: Program, tmp_path: Path) -> None:
    async with House(program, tmp_path) as house:
        maud, ruth = await house.devices("maud", "engineer")
        send = house.bridge.send("accordion", "front")
        await maud.tap(house.rail("accordion", "front", ".less"))
        await maud.until(enabled("#ask"))
        await maud.tap("#ask")
        await maud.until(shows("#ask", "Ruth was asked"))
        await ruth.until(shows("#asks", "Maud asks for more Accordion"))
        await ruth.until("document.getElementById('asks').getAttribute('aria-live')")
        await ruth.click("#asks .yes")
        await maud.until(shows("#room", "Ruth gave you more Accordion"))
        await ruth.until("document.getElementById('asks-part').hidden")
        assert house.bridge.asked(send) == -19.0 + 3.0
        await maud.until(shows(house.rail("accordion", "front"), "−16.0"))


@on_loop
async def test_silence_is_on_every_page_and_takes_two_presses_to_end(
    program: Program, tmp_path: Path
) -> None:
    async with House(program, tmp_path) as house:
        ines, maud, ruth = await house.devices("ines", "maud", "engineer")
        silence = house.bridge.slot(Parameter.SILENCE)
        await ruth.click("#silence")
        for phone in (ines, maud):
            await phone.until(shows("#state", "silenced everything"))
            await phone.until("document.body.matches('.hushed')")
        assert house.bridge.asked(silence) == 1.0
        await ruth.until(shows("#silence", "All is silent"))
        await ruth.click("#silence")
        await ruth.until(shows("#silence", "Press again"))
        assert house.bridge.asked(silence) == 1.0, "one press must not let it sound"
        await ruth.click("#silence")
        await ines.until(f"!({shows('#state', 'silenced')})")
        assert house.bridge.asked(silence) == 0.0


@on_loop
async def test_what_the_engineer_freezes_and_limits_is_said_at_the_phone(
    program: Program, tmp_path: Path
) -> None:
    async with House(program, tmp_path) as house:
        ines, ruth = await house.devices("ines", "engineer")
        bar = house.rail("bass", "kit")
        await ruth.click('.cell[aria-label^="Double bass in Ines"]')
        await ruth.click("#limit")
        await ruth.click('[aria-label="Everybody no higher than it stands now"]')
        await ines.until(shows(bar, "At the engineer's limit"))
        await ines.tap(house.rail("bass", "kit", ".more"))
        await ines.until("[...document.querySelectorAll('.bubble')].some((b) => !b.hidden)")
        assert house.bridge.asked(house.bridge.send("bass", "kit")) == -12.0
        await ruth.click('[aria-label="Lift the limit of Everybody"]')
        await ines.until(shows(bar, "your own limit"))
        await ruth.click('[aria-label="Freeze Ines"]')
        await ines.until(shows("#state", "frozen"))
        await ines.tap(house.rail("voice", "kit", ".more"))
        await ines.until("[...document.querySelectorAll('.bubble')].some((b) => !b.hidden)")
        assert house.bridge.asked(house.bridge.send("voice", "kit")) == -20.0


@on_loop
async def test_a_device_that_the_engineer_signs_out_is_out_at_once(
    program: Program, tmp_path: Path
) -> None:
    async with House(program, tmp_path) as house:
        ines, ruth = await house.devices("ines", "engineer")
        sign_out = '[aria-label^="Sign out device "][aria-label$=" of Ines"]'
        await ruth.until(f"document.querySelector('{sign_out}')")
        await ruth.click(sign_out)
        await ines.until("location.pathname === '/'")
        await ines.until(shows("#join-said", "signed out"))


@on_loop
async def test_a_code_that_the_engineer_makes_lets_a_phone_in_once(
    program: Program, tmp_path: Path
) -> None:
    async with House(program, tmp_path) as house:
        ruth, phone, late = await house.engineer(), await house.tab(), await house.tab()
        await ruth.click('[aria-label="Code to join for Tomas"]')
        await ruth.until("document.querySelector('#joining svg')")
        code = await ruth.js("document.querySelector('#joining .letters').textContent")
        for tab in (phone, late):
            await tab.go(house.bridge.base)
            await tab.until("document.activeElement && document.activeElement.id === 'code'")
            await tab.write(code.lower())
            await tab.key("Enter")
            if tab is phone:
                await tab.until("location.pathname === '/mine'")
        await late.until(shows("#join-said", "not known"))
        await phone.until(shows("#who", "Tomas"))
        await ruth.until(shows("#joining", "Tomas has joined"))
