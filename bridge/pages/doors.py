"""The doors: the files of the pages, joining by code, signing in, and the WebSockets. I/O."""

from __future__ import annotations

import asyncio
import json
import time
from pathlib import Path
from typing import Any

from aiohttp import web

from bridge.pages.access import Codes, Pass, Passes, Tries, plain
from bridge.pages.client import HEARTBEAT_S
from bridge.pages.messages import CHARACTERS_MAX
from bridge.pages.passphrase import matches
from bridge.pages.shield import Shield, is_number
from bridge.pages.show import Show
from bridge.rig.rig import Rig

FOLDER = Path(__file__).parent / "static"

KINDS = {
    ".html": "text/html",
    ".css": "text/css",
    ".js": "text/javascript",
    ".svg": "image/svg+xml",
}

COOKIES = {True: "fold_engineer", False: "fold_performer"}
"""Name of the cookie of the engineer's token and of a performer's: one browser may have both."""

HASHES_WAITING_MAX = 4
"""Passphrases that wait to be hashed: each takes 32 MB and a tenth of a second of one core."""

BODY_S = 5.0
"""A body that has not come whole within this time is not waited for: whoever announces one and
says nothing would keep a connection for ever."""

REFUSED = "This code is not known. It works once, and only for some minutes: ask for a new one."
WRONG = "This is not the passphrase."
SLOWLY = "Too many tries from this device. Wait a minute, then try again."


class Doors:
    """Everything that a browser may ask for.

    Args:
        rig: The rig, with `[pages]`.
        passes: Tokens in force.
        codes: Codes that wait.
        tries: How often each address has tried.
        show: Serves the pages once they are in.
    """

    def __init__(self, rig: Rig, passes: Passes, codes: Codes, tries: Tries, show: Show) -> None:
        declared = rig.file.pages
        assert declared is not None, "asked for rigs with pages only"
        self._declared, self._rig = declared, rig
        self._passes, self._codes, self._tries, self._show = passes, codes, tries, show
        self._secure = declared.certificate is not None
        names = set(declared.names)
        if declared.address is not None:
            host = declared.address.split("//", 1)[1].rsplit(":", 1)[0]
            names |= set() if is_number(host.strip("[]")) else {host}
        self.shield = Shield(frozenset(names), self._secure)
        self._files = {
            path.name: (path.read_bytes(), KINDS[path.suffix])
            for path in FOLDER.iterdir()
            if path.suffix in KINDS
        }
        self._hashing = asyncio.Lock()
        self._waiting = 0

    def app(self, body_bytes_max: int) -> web.Application:
        """The routes, behind the shield."""
        app = web.Application(
            middlewares=[self.shield.middleware()], client_max_size=body_bytes_max
        )
        app.add_routes([
            web.get("/", self._entrance),
            web.get("/mine", self._mine),
            web.get("/desk", self._desk),
            web.get("/static/{name}", self._static),
            web.get("/talk/mine", self._talk_mine),
            web.get("/talk/desk", self._talk_desk),
            web.post("/join", self._join),
            web.post("/sign-in", self._sign_in),
            web.post("/leave", self._leave),
        ])  # fmt: skip
        return app

    # -- pages ----------------------------------------------------------------------------------

    def _page(self, name: str) -> web.Response:
        body, kind = self._files[name]
        return web.Response(body=body, content_type=kind, charset="utf-8")

    async def _static(self, request: web.Request) -> web.Response:
        """A file by its name, out of those that were read at start: no path reaches the disk."""
        name = request.match_info["name"]
        if name not in self._files or name.endswith(".html"):
            raise web.HTTPNotFound(text="There is no such file.")
        return self._page(name)

    async def _entrance(self, _: web.Request) -> web.Response:
        return self._page("entrance.html")

    async def _mine(self, request: web.Request) -> web.Response:
        if self._pass(request, engineer=False) is None:
            raise web.HTTPSeeOther("/")
        return self._page("mine.html")

    async def _desk(self, request: web.Request) -> web.Response:
        if self._pass(request, engineer=True) is None:
            raise web.HTTPSeeOther("/#engineer")
        return self._page("desk.html")

    # -- in and out -----------------------------------------------------------------------------

    def _pass(self, request: web.Request, *, engineer: bool) -> Pass | None:
        """The pass of a request; a performer's opens no engineer's page, nor the other way."""
        token = request.cookies.get(COOKIES[engineer], "")
        found = self._passes.of(token, time.time()) if token else None
        return found if found is not None and (found.who == "engineer") is engineer else None

    async def _said(self, request: web.Request, key: str) -> str:
        """A text in the JSON body of a request."""
        if request.content_type != "application/json":
            raise web.HTTPUnsupportedMediaType(text="expected JSON")
        try:
            async with asyncio.timeout(BODY_S):
                data = json.loads(await request.text())
        except TimeoutError:
            raise web.HTTPRequestTimeout(text="expected the rest sooner") from None
        except (ValueError, LookupError, RecursionError):  # a charset that nobody knows
            raise web.HTTPBadRequest(text="expected JSON") from None
        value = data.get(key) if isinstance(data, dict) else None
        if not isinstance(value, str) or len(value) > CHARACTERS_MAX:
            raise web.HTTPBadRequest(text=f"expected a text {key!r}")
        return value

    def _may_try(self, request: web.Request) -> bool:
        return self._tries.may(request.remote or "", asyncio.get_running_loop().time())

    async def _join(self, request: web.Request) -> web.Response:
        """A code for a token: a performer's, or the engineer's first one."""
        code = await self._said(request, "code")
        if not self._may_try(request):
            return _answer(429, words=SLOWLY)
        who = self._codes.use(code, asyncio.get_running_loop().time())
        if who is None:
            return _answer(403, words=REFUSED)
        self._show.joining.used(plain(code))
        return self._let_in(who)

    async def _sign_in(self, request: web.Request) -> web.Response:
        """The engineer's passphrase for a token."""
        passphrase = await self._said(request, "passphrase")
        kept = self._declared.engineer
        if kept is None:
            return _answer(403, words="No passphrase is set: the bridge's log has a code to join.")
        if not self._may_try(request) or self._waiting >= HASHES_WAITING_MAX:
            return _answer(429, words=SLOWLY)
        self._waiting += 1
        try:
            async with self._hashing:
                right = await asyncio.to_thread(matches, passphrase, kept)
        finally:
            self._waiting -= 1
        return self._let_in("engineer") if right else _answer(403, words=WRONG)

    def _let_in(self, who: str) -> web.Response:
        token, _ = self._passes.give(who, time.time())
        self._show.keep()
        engineer = who == "engineer"
        response = _answer(200, go="/desk" if engineer else "/mine")
        response.set_cookie(
            COOKIES[engineer], token, max_age=round(3600 * self._declared.token_hours),
            httponly=True, samesite="Strict", secure=self._secure, path="/",
        )  # fmt: skip
        return response

    async def _leave(self, request: web.Request) -> web.Response:
        """A device signs itself out."""
        engineer = await self._said(request, "page") == "desk"
        given = self._pass(request, engineer=engineer)
        if given is not None:
            self._passes.revoke(given.serial)
            self._show.keep()
            self._show.out(given.serial)
        response = _answer(200, go="/")
        response.del_cookie(COOKIES[engineer], path="/")
        return response

    # -- WebSockets -----------------------------------------------------------------------------

    async def _talk_mine(self, request: web.Request) -> web.StreamResponse:
        return await self._talk(request, engineer=False)

    async def _talk_desk(self, request: web.Request) -> web.StreamResponse:
        return await self._talk(request, engineer=True)

    async def _talk(self, request: web.Request, *, engineer: bool) -> web.StreamResponse:
        """Open a page's WebSocket and serve it; the shield has looked at its origin."""
        if not _is_websocket(request):
            raise web.HTTPBadRequest(text="expected a WebSocket, version 13")
        given = self._pass(request, engineer=engineer)
        ws = web.WebSocketResponse(
            heartbeat=HEARTBEAT_S, compress=False, max_msg_size=4 * CHARACTERS_MAX, timeout=0.5
        )
        if given is None:
            await ws.prepare(request)
            await ws.close(code=4401, message=b"this device is signed out")
            return ws
        await ws.prepare(request)
        transport = request.transport
        if not isinstance(transport, asyncio.WriteTransport):
            return ws
        scheme = "https" if self._secure else "http"
        await self._show.serve(ws, transport, given, f"{scheme}://{request.headers['Host']}")
        return ws


def _is_websocket(request: web.Request) -> bool:
    """Whether it asks for a WebSocket; aiohttp trips over strange letters while it says no."""
    asked = [request.headers.get(name, "").lower()
             for name in ("Upgrade", "Sec-WebSocket-Version", "Connection")]  # fmt: skip
    return asked[:2] == ["websocket", "13"] and "upgrade" in asked[2]


def _answer(status: int, **data: Any) -> web.Response:
    return web.json_response(data, status=status)
