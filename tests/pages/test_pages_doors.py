"""Coming in and going out over real sockets: codes, passphrases, tokens, ports."""

from __future__ import annotations

import json
import threading
from pathlib import Path

import pytest
from support.onloop import on_loop
from support.paged import DEMO, PAGES, Browser, Paged, paged_rig

from bridge.errors import LinkError
from bridge.pages import joining
from bridge.pages.access import TRIES_AT_ONCE


@on_loop
async def test_a_code_made_by_the_engineer_lets_in_and_is_then_shown_as_used(
    tmp_path: Path,
) -> None:
    async with (
        Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as phone, Browser(bridge) as laptop
    ):  # fmt: skip
        await laptop.sign_in()
        async with laptop.page("desk") as desk:
            await desk.say("code", 1)
            await desk.until(lambda v: "code" in v)
            code = desk.values["code"]
            assert code["name"] == "Maud" and code["address"] == f"{bridge.base}/#{code['code']}"
            assert len(code["rows"]) == len(code["rows"][0]) and not code["used"]
            status, said = await phone.post("/join", {"code": code["code"]})
            assert (status, said) == (200, {"go": "/mine"})
            await desk.until(lambda v: v["code"]["used"])
            assert (await phone.post("/join", {"code": code["code"]}))[0] == 403
            await desk.until(lambda v: [d["who"] for d in v["devices"]] == [-1, 1])


@on_loop
async def test_a_code_is_drawn_beside_the_loop_in_order_and_some_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    free, where = threading.Event(), set[int]()

    def slowly(address: str) -> list[str]:
        where.add(threading.get_ident())
        assert free.wait(20.0)
        return [address[-6:]]

    monkeypatch.setattr(joining, "drawn", slowly)
    async with (
        Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as phone, Browser(bridge) as laptop
    ):  # fmt: skip
        await laptop.sign_in()
        async with laptop.page("desk") as desk:
            for number in (0, 1, 2, 0, 1):
                await desk.say("code", number)
            await desk.until(lambda v: v.get("refused", [0, ""])[0] == 1)
            assert desk.values["refused"][1] == "codes are being drawn; wait a moment"
            code = next(iter(bridge.pages.codes._waiting))
            assert (await phone.post("/join", {"code": code}))[0] == 200, "it works undrawn"
            free.set()
            newest = next(reversed(bridge.pages.codes._waiting))
            await desk.until(lambda v: v.get("code", {}).get("rows") == [newest])
            assert not desk.values["code"]["used"]
        assert where and threading.get_ident() not in where


@on_loop
async def test_a_code_that_is_used_before_it_is_drawn_is_shown_as_used(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    free = threading.Event()
    monkeypatch.setattr(joining, "drawn", lambda address: [str(free.wait(20.0))])
    async with (
        Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as phone, Browser(bridge) as laptop
    ):  # fmt: skip
        await laptop.sign_in()
        async with laptop.page("desk") as desk:
            await desk.say("code", 0)
            await bridge.until(lambda: bridge.pages.codes._waiting)
            code = next(iter(bridge.pages.codes._waiting))
            assert (await phone.post("/join", {"code": code}))[0] == 200
            free.set()
            await desk.until(lambda v: v.get("code", {}).get("used"))


@on_loop
async def test_a_revoked_device_is_shut_out_at_once(tmp_path: Path) -> None:
    async with (
        Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as phone, Browser(bridge) as laptop
    ):  # fmt: skip
        await phone.join("ines")
        await laptop.sign_in()
        async with phone.page() as page, laptop.page("desk") as desk:
            await desk.until(lambda v: v.get("devices"))
            await desk.say("revoke", 1)
            assert await page.closed() == 4401
        async with phone.page() as page:
            assert await page.closed() == 4401
        async with phone.session.get(bridge.base + "/mine") as answer:
            assert answer.url.path == "/"


@on_loop
async def test_a_token_that_ends_closes_its_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as phone:
        await phone.join("ines")
        async with phone.page() as page:
            await page.until(lambda v: v)
            passes = bridge.pages.passes
            monkeypatch.setattr(passes, "holds", lambda serial, now_unix_s: False)
            assert await page.closed() == 4401


@on_loop
async def test_a_device_signs_itself_out(tmp_path: Path) -> None:
    async with Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as phone:
        await phone.join("ines")
        assert await phone.post("/leave", {"page": "mine"}) == (200, {"go": "/"})
        async with phone.page() as page:
            assert await page.closed() == 4401
        assert not bridge.pages.passes.all


@on_loop
async def test_tokens_and_undo_outlast_a_restart_of_the_bridge(tmp_path: Path) -> None:
    async with Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as phone:
        await phone.join("ines")
        port = bridge.pages.port
        cookies = list(phone.session.cookie_jar)
        assert cookies[0]["httponly"] and cookies[0]["samesite"] == "Strict"
        token = cookies[0].value
    async with Paged(paged_rig(tmp_path, port=port)) as bridge, Browser(bridge) as phone:
        phone.session.cookie_jar.update_cookies({"fold_performer": token})
        async with phone.page() as page:
            await page.until(lambda v: v.get("ready") == 1)
            assert page.plan["you"] == "Ines"


@on_loop
async def test_a_damaged_file_of_tokens_makes_everybody_join_again(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / "ferry-lane.tokens.json").write_text("{half")
    async with Paged(paged_rig(tmp_path)) as bridge:
        assert not bridge.pages.passes.all
    assert "everybody has to join again" in caplog.text


@on_loop
async def test_guessing_codes_and_passphrases_is_slow(tmp_path: Path) -> None:
    async with Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as browser:
        answers = [
            (await browser.post("/join", {"code": "AAAAAA"}))[0] for _ in range(TRIES_AT_ONCE)
        ]
        assert answers == [403] * TRIES_AT_ONCE
        assert (await browser.post("/join", {"code": bridge.code("ines")}))[0] == 429
        assert await browser.sign_in() == 429


@on_loop
async def test_a_wrong_passphrase_opens_nothing(tmp_path: Path) -> None:
    async with Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as browser:
        assert await browser.sign_in("low tide at half past ten") == 403
        async with browser.page("desk") as desk:
            assert await desk.closed() == 4401


@on_loop
async def test_without_a_passphrase_the_log_has_a_code_for_the_engineer(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO")
    bare = '\n[pages]\nlisten = "127.0.0.1:{port}"\n'
    async with Paged(paged_rig(tmp_path, pages=bare)) as bridge, Browser(bridge) as browser:
        line = next(text for text in caplog.messages if text.startswith("engineer's page:"))
        code = line.split("#")[1].split()[0]
        assert (await browser.post("/sign-in", {"passphrase": ""}))[0] == 403
        assert await browser.post("/join", {"code": code}) == (200, {"go": "/desk"})
        async with browser.page("desk") as desk:
            await desk.until(lambda v: "links" in v)


@on_loop
async def test_a_taken_port_is_a_fault_of_the_link(tmp_path: Path) -> None:
    async with Paged(paged_rig(tmp_path)) as bridge:
        rig = paged_rig(tmp_path, port=bridge.pages.port)
        with pytest.raises(LinkError, match="stop what uses this port"):
            async with Paged(rig):
                pass


def test_the_rigs_of_these_tests_stay_on_this_machine() -> None:
    assert 'listen = "127.0.0.1' in PAGES and json.dumps(DEMO)
