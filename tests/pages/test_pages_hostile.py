"""What must not come in, what must not stop the bridge, and whose mix a page may move."""

from __future__ import annotations

import asyncio
import random
import socket
import ssl
import subprocess
from pathlib import Path
from typing import Any

import aiohttp
import pytest
from support.onloop import on_loop
from support.paged import Browser, Paged, paged_rig

from bridge.errors import LinkError
from bridge.pages import client, doors, server, show
from bridge.pages.messages import WORDS
from bridge.pages.own import OwnMix
from bridge.pages.server import CONNECTIONS_MAX
from bridge.rig.layout import KINDS, Parameter, Scope
from bridge.rig.rig import Rig

# -- whose mix ----------------------------------------------------------------------------------


def foreign_slots(rig: Rig, own: str) -> list[int]:
    """Everything that is no part of one bus."""
    bus = rig.layout.buses.index(own)
    places = [(slot, rig.layout.place(slot)) for slot in rig.layout]
    return [s for s, p in places if KINDS[p.parameter][1] is not Scope.WHOLE and p.bus != bus]


@on_loop
async def test_a_thousand_random_messages_over_the_socket_move_nothing_of_anothers(
    tmp_path: Path,
) -> None:
    async with Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as browser:
        await bridge.until(bridge.daemon.house.rests)
        await browser.join("ines")
        hands, m = random.Random(7), bridge.engine.matrix
        watched = [*foreign_slots(bridge.rig, "kit"), m.silence]
        before = [repr(m.asked[s]) for s in watched]
        async with browser.page() as page:
            for n in range(1000):
                word = hands.choice([*WORDS])
                values = [hands.randint(0, m.size + 5), hands.choice((hands.uniform(-90, 9), None))]
                await page.say(word, *values[: len(WORDS[word])])
                if n % 100 == 99:
                    await asyncio.sleep(1.0)  # within the rate, or nothing is tested
            await page.until(lambda v: "refused" in v)
        assert bridge.daemon.house.controllers.counts[0] > 5, "some were its own"
        assert [repr(m.asked[s]) for s in watched] == before
        assert not bridge.engine.people.requests or all(
            r.performer == 0 for r in bridge.engine.people.requests
        )


# -- hostile messages ---------------------------------------------------------------------------

RUBBISH: tuple[Any, ...] = (
    "", "{", "null", "[" * 256, '["set", 1, NaN]', '["set", 1, 1e999]', "\x00", '["set","a",[]]',
    '{"set": 1}', '["set", 1, ' + "9" * 200 + "]", b"\x00\xff", b"", '["set", 1e400, 1]',
)  # fmt: skip


@on_loop
async def test_rubbish_is_refused_in_words_and_the_page_goes_on(tmp_path: Path) -> None:
    async with Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as browser:
        await bridge.running()
        await browser.join("ines")
        slot = bridge.send("voice", "kit")
        async with browser.page() as page:
            for said in RUBBISH:
                await (page.ws.send_bytes if isinstance(said, bytes) else page.ws.send_str)(said)
            await page.until(lambda v: "refused" in v)
            await page.say("set", slot, -40)
            await page.until(lambda v: v.get(str(slot), [0])[0] == -40.0)


@on_loop
async def test_a_message_too_long_closes_the_page_and_no_other(tmp_path: Path) -> None:
    async with (
        Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as one, Browser(bridge) as other
    ):  # fmt: skip
        await one.join("ines")
        await other.join("maud")
        async with one.page() as page, other.page() as kept:
            await page.ws.send_str('["set", 1, 2]' + " " * 100_000)
            assert await page.closed() == aiohttp.WSCloseCode.MESSAGE_TOO_BIG
            await kept.until(lambda v: v.get("ready") == 1)


@on_loop
async def test_a_flood_is_cut_to_the_rate_and_then_shut_out(tmp_path: Path) -> None:
    async with Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as browser:
        await bridge.running()
        await browser.join("ines")
        slot = bridge.send("voice", "kit")
        async with browser.page() as page:
            for _ in range(int(client.MESSAGES_AT_ONCE) + client.EXCESS_MAX + 200):
                await page.ws.send_str(f'["step", {slot}, -0.01]')
            assert await page.closed() == client.WRONG
        assert sum(bridge.daemon.house.controllers.counts) <= client.MESSAGES_AT_ONCE + 60


@on_loop
async def test_a_person_has_only_so_many_pages_open(tmp_path: Path) -> None:
    from bridge.pages.show import CLIENTS_EACH

    async with Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as browser:
        await browser.join("ines")
        opened = [
            await browser.session.ws_connect(f"{bridge.base}/talk/mine", headers=browser.own)
            for _ in range(CLIENTS_EACH)
        ]
        await bridge.until(lambda: len(bridge.pages.show.clients) == CLIENTS_EACH)
        async with browser.page() as page:
            assert await page.closed() == client.FULL
        for ws in opened:
            await ws.close()
        await bridge.until(lambda: not bridge.pages.show.clients)


# -- requests -----------------------------------------------------------------------------------


@on_loop
async def test_what_comes_from_a_foreign_page_or_by_a_foreign_name_is_turned_away(
    tmp_path: Path,
) -> None:
    async with Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as browser:
        await browser.join("ines")
        for origin in ("http://evil.example", "null", "", bridge.base + ".evil", "https" +
                       bridge.base[4:]):  # fmt: skip
            status, _ = await browser.post("/join", {"code": bridge.code("maud")}, Origin=origin)
            assert status == 403, origin
            with pytest.raises(aiohttp.WSServerHandshakeError) as caught:
                await browser.session.ws_connect(
                    f"{bridge.base}/talk/mine", headers={"Origin": origin}
                )
            assert caught.value.status == 403
        async with browser.session.get(
            bridge.base + "/", headers={"Host": "evil.example"}
        ) as answer:
            assert answer.status == 421


@on_loop
async def test_every_answer_forbids_the_browser_what_it_need_not_do(tmp_path: Path) -> None:
    async with Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as browser:
        paths = (
            "/",
            "/mine",
            "/desk",
            "/static/look.css",
            "/static/none",
            "/nowhere",
            "/talk/mine",
        )
        for path in paths:
            async with browser.session.get(bridge.base + path, allow_redirects=False) as answer:
                assert answer.headers["Content-Security-Policy"].startswith("default-src 'none'")
                assert answer.headers["X-Content-Type-Options"] == "nosniff"
                assert answer.headers["Cache-Control"] == "no-store"
                assert answer.headers["Referrer-Policy"] == "no-referrer"


@on_loop
async def test_files_outside_of_the_pages_cannot_be_asked_for(tmp_path: Path) -> None:
    async with Paged(paged_rig(tmp_path)) as bridge:
        for path in ("/static/../server.py", "/static/%2e%2e/server.py", "/static/mine.html",
                     "/static/%2e%2e%2f%2e%2e%2frig%2fmodel.py", "/static/"):  # fmt: skip
            reader, writer = await asyncio.open_connection("127.0.0.1", bridge.pages.port)
            writer.write(f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n".encode())
            status = (await reader.readline()).split()[1]
            assert status in (b"404", b"400"), path
            writer.close()


@on_loop
async def test_bodies_are_bounded_and_must_be_json(tmp_path: Path) -> None:
    async with Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as browser:
        assert (await browser.post("/join", {"code": "A" * 5000}))[0] == 413
        for data in ([], 1, {"code": 1}, {"code": None}, {"code": "A" * 300}, {}):
            assert (await browser.post("/join", data))[0] == 400, data
        for body in (b"null", b"{", b"[" * 1500):
            kind = "application/json"
            async with browser.session.post(
                bridge.base + "/join", data=body, headers={**browser.own, "Content-Type": kind}
            ) as answer:
                assert answer.status == 400
        async with browser.session.post(
            bridge.base + "/join", data={"code": "AAAAAA"}, headers=browser.own
        ) as answer:
            assert answer.status == 415, "a form of a foreign page can send no JSON"


@on_loop
async def test_one_persons_token_is_no_engineers(tmp_path: Path) -> None:
    async with Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as browser:
        await browser.join("ines")
        (cookie,) = browser.session.cookie_jar
        browser.session.cookie_jar.update_cookies({"fold_engineer": cookie.value})
        async with browser.page("desk") as desk:
            assert await desk.closed() == 4401


@on_loop
async def test_only_so_many_connections_are_held(tmp_path: Path) -> None:
    async with Paged(paged_rig(tmp_path)) as bridge:
        held = [
            await asyncio.open_connection("127.0.0.1", bridge.pages.port)
            for _ in range(CONNECTIONS_MAX)
        ]
        reader, writer = await asyncio.open_connection("127.0.0.1", bridge.pages.port)
        with pytest.raises((ConnectionError, asyncio.IncompleteReadError)):
            await asyncio.wait_for(reader.readexactly(1), 5)
        for _, each in [*held, (reader, writer)]:
            each.close()


@on_loop
async def test_a_failing_look_is_told_once_and_the_bridge_goes_on(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as browser:
        await bridge.running()
        await browser.join("ines")
        async with browser.page() as page:
            await page.until(lambda v: v.get("ready") == 1)

            def broken(*_: object) -> None:
                raise RuntimeError("planted")

            with monkeypatch.context() as patch:
                patch.setattr(OwnMix, "around", broken)
                await asyncio.sleep(0.5)
            slot = bridge.send("voice", "kit")
            bridge.wish(slot, -44.0)
            await page.until(lambda v: v[str(slot)][0] == -44.0)
    assert caplog.text.count("a look failed") == 1


# -- phones that sleep --------------------------------------------------------------------------


@on_loop
async def test_a_sleeping_phone_is_dropped_and_holds_up_nobody(tmp_path: Path) -> None:
    async with (
        Paged(paged_rig(tmp_path)) as bridge, Browser(bridge) as asleep, Browser(bridge) as awake
    ):  # fmt: skip
        await bridge.running()
        await asleep.join("ines")
        await awake.join("ines")
        token = next(iter(asleep.session.cookie_jar)).value
        sock = _sleeper(bridge.pages.port, token)
        await bridge.until(lambda: len(bridge.pages.show.clients) == 1)
        (sleeper,) = bridge.pages.show.clients
        async with awake.page() as page:
            await page.until(lambda v: v.get("ready") == 1)
            loop, slot, worst_s = asyncio.get_running_loop(), bridge.send("voice", "kit"), 0.0
            until_s, n = loop.time() + 20.0, 0
            while sleeper in bridge.pages.show.clients:
                assert loop.time() < until_s, "it was never dropped"
                sleeper.own["padding"] = "x" * 60_000 + str(n)  # it fills the kernel sooner
                sleeper.show(["padding"])
                n += 1
                began_s = loop.time()
                bridge.wish(slot, -30.0 - n % 20)
                await page.until(lambda v, db=-30.0 - n % 20: v[str(slot)][0] == db)
                worst_s = max(worst_s, loop.time() - began_s)
            assert worst_s < 0.3, worst_s
            assert len(sleeper.frame()) < 60, "one pending value a key, however long it slept"
        sock.close()


def _sleeper(port: int, token: str) -> socket.socket:
    """A page whose phone went to sleep right after it was opened: it reads nothing any more."""
    sock = socket.socket()
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    sock.connect(("127.0.0.1", port))
    sock.sendall(
        f"GET /talk/mine HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nOrigin: http://127.0.0.1:{port}\r\n"
        "Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n"  # RFC 6455, section 1.3
        f"Cookie: fold_performer={token}\r\n\r\n".encode()
    )
    return sock


# -- who says nothing ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    "said",
    [
        b"", b"GET / HTTP/1.1\r\nHost: ",
        b"POST /join HTTP/1.1\r\nHost: 127.0.0.1\r\nOrigin: http://127.0.0.1\r\n"
        b'Content-Type: application/json\r\nContent-Length: 2000\r\n\r\n{"code": "',
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 2000\r\n\r\n",
    ],
    ids=["nothing", "half a head", "half a body", "a body with nothing to say"],
)  # fmt: skip
@on_loop
async def test_a_connection_keeps_no_place_by_saying_half_of_something(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, said: bytes
) -> None:
    monkeypatch.setattr(server, "QUIET_S", 0.3)
    monkeypatch.setattr(doors, "BODY_S", 0.3)
    async with Paged(paged_rig(tmp_path)) as bridge:
        reader, writer = await asyncio.open_connection("127.0.0.1", bridge.pages.port)
        writer.write(said)
        ended = asyncio.ensure_future(reader.read())
        for _ in range(100):  # a letter now and then, and never an end
            if said:
                writer.write(b"x")
            await asyncio.wait({ended}, timeout=0.05)
            if ended.done():
                break
        assert ended.done() and ended.result()[:13] in (b"", b"HTTP/1.1 408 ", b"HTTP/1.1 200 ")
        writer.close()


@on_loop
async def test_only_so_many_pages_are_open_in_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(show, "CLIENTS_MAX", 1)
    async with (
        Paged(paged_rig(tmp_path)) as bridge,
        Browser(bridge) as one,
        Browser(bridge) as other,
    ):
        await one.join("ines")
        await other.join("maud")
        async with one.page(), other.page() as late:
            assert await late.closed() == client.FULL


# -- TLS ----------------------------------------------------------------------------------------


def _certificate(folder: Path) -> None:
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1",
         "-nodes", "-days", "2", "-subj", "/CN=localhost", "-keyout", folder / "house.key",
         "-out", folder / "house.crt"],
        check=True, capture_output=True,
    )  # fmt: skip


TLS = '\n[pages]\nlisten = "127.0.0.1:{port}"\ncertificate = "house.crt"\nkey = "house.key"\n'


@on_loop
async def test_with_a_certificate_cookies_are_for_tls_alone(tmp_path: Path) -> None:
    _certificate(tmp_path)
    async with Paged(paged_rig(tmp_path, pages=TLS)) as bridge:
        bridge.base = bridge.base.replace("http://", "https://")
        async with Browser(bridge) as browser:
            trusting = ssl.create_default_context(cafile=str(tmp_path / "house.crt"))
            trusting.check_hostname = False
            async with browser.session.post(
                bridge.base + "/join", json={"code": bridge.code("ines")}, headers=browser.own,
                ssl=trusting,
            ) as answer:  # fmt: skip
                assert answer.status == 200
                assert "Secure" in answer.headers["Set-Cookie"]
                assert " wss://" in answer.headers["Content-Security-Policy"]
        context = bridge.pages._tls()
        assert context is not None and context.minimum_version is ssl.TLSVersion.TLSv1_2


@on_loop
async def test_a_certificate_that_cannot_be_read_is_a_fault_of_the_link(tmp_path: Path) -> None:
    with pytest.raises(LinkError, match=r"pages.certificate"):
        async with Paged(paged_rig(tmp_path, pages=TLS)):
            pass
    assert Parameter.SILENCE in KINDS
