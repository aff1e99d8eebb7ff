"""Debian's Chromium, driven by its DevTools protocol over a WebSocket. I/O.

Source of the protocol: https://chromedevtools.github.io/devtools-protocol/tot/ (domains Target,
Page, Runtime, Input, Emulation, Network, Log). One process serves many connections one after
another; every tab has cookies of its own, as on another device.
"""

from __future__ import annotations

import asyncio
import base64
import contextlib
import json
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import aiohttp

PHONE, SMALL, LAPTOP = (390, 844), (320, 568), (1280, 800)
"""Window sizes in CSS pixels: a usual phone, the narrowest one, a laptop."""

START_S, CALL_S, UNTIL_S = 30.0, 30.0, 15.0
"""Patience with the start, with one call, with a condition of a page."""

FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update", "--disable-dev-shm-usage",
    "--disable-background-timer-throttling", "--disable-renderer-backgrounding",
    "--disable-backgrounding-occluded-windows", "--disable-default-apps", "--mute-audio",
    "--force-color-profile=srgb", "--hide-scrollbars", "--remote-debugging-port=0",
)  # fmt: skip

KEY_CODES = {
    "Tab": 9, "Enter": 13, "Escape": 27, " ": 32, "PageUp": 33, "PageDown": 34, "End": 35,
    "Home": 36, "ArrowLeft": 37, "ArrowUp": 38, "ArrowRight": 39, "ArrowDown": 40,
    "Backspace": 8, "-": 189, "+": 187,
}  # fmt: skip

Events = list[dict[str, Any]]


class Program:
    """One browser process with a folder of its own; ``with Program() as program``."""

    def __enter__(self) -> Program:
        found = shutil.which("chromium")
        if found is None:
            raise RuntimeError("no chromium (Debian: apt-get install chromium)")
        self._folder = tempfile.TemporaryDirectory(
            prefix="foldbridge-browser-", ignore_cleanup_errors=True
        )
        self._process = subprocess.Popen(
            [found, *FLAGS, f"--user-data-dir={self._folder.name}", "about:blank"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        try:
            self.address = self._answers()
        except BaseException:
            self._end()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self._end()

    def _answers(self) -> str:
        """Wait for the file in which the browser says where it listens."""
        file = Path(self._folder.name) / "DevToolsActivePort"
        until_s = time.monotonic() + START_S
        while time.monotonic() < until_s and self._process.poll() is None:
            words = file.read_text(encoding="utf-8").split() if file.exists() else []
            if len(words) == 2:
                return f"ws://127.0.0.1:{words[0]}{words[1]}"
            time.sleep(0.05)
        raise RuntimeError("Chromium does not start")

    def _end(self) -> None:
        self._process.terminate()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._folder.cleanup()


class Browser:
    """A connection to the process: ``async with Browser(program) as browser``.

    Args:
        program: The process; it stays when the connection ends, the tabs of this one go.
    """

    def __init__(self, program: Program) -> None:
        self._address = program.address
        self._number = 0
        self._waiting: dict[int, asyncio.Future[Any]] = {}
        self._tabs: dict[str, Tab] = {}
        self._contexts: list[str] = []

    async def __aenter__(self) -> Browser:
        self._session = aiohttp.ClientSession()
        self._ws = await self._session.ws_connect(self._address, max_msg_size=0)
        self._reader = asyncio.get_running_loop().create_task(self._read(), name="devtools")
        return self

    async def __aexit__(self, *_: object) -> None:
        for context in self._contexts:
            with contextlib.suppress(RuntimeError, TimeoutError, ConnectionError):
                await self.call("Target.disposeBrowserContext", browserContextId=context)
        self._reader.cancel()
        await self._session.close()

    async def _read(self) -> None:
        async for message in self._ws:
            data = json.loads(message.data)
            if "id" in data:
                future = self._waiting.pop(data["id"], None)
                if future is not None and not future.done():
                    future.set_result(data)
            elif data.get("sessionId") in self._tabs:
                self._tabs[data["sessionId"]].take(data)

    async def call(self, method: str, session: str = "", **parameters: Any) -> Any:
        """Call a method of the protocol.

        Raises:
            RuntimeError: the browser refused.
        """
        self._number += 1
        future = asyncio.get_running_loop().create_future()
        self._waiting[self._number] = future
        said: dict[str, Any] = {"id": self._number, "method": method, "params": parameters}
        if session:
            said["sessionId"] = session
        await self._ws.send_json(said)
        async with asyncio.timeout(CALL_S):
            data = await future
        if "error" in data:
            raise RuntimeError(f"{method}: {data['error'].get('message')}")
        return data["result"]

    async def tab(self, size: tuple[int, int] = PHONE, *, touch: bool = True) -> Tab:
        """A tab with cookies of its own, as on another device."""
        context = (await self.call("Target.createBrowserContext"))["browserContextId"]
        self._contexts.append(context)
        made = await self.call("Target.createTarget", url="about:blank", browserContextId=context)
        target = made["targetId"]
        session = (await self.call("Target.attachToTarget", targetId=target, flatten=True))[
            "sessionId"
        ]
        tab = self._tabs[session] = Tab(self, session)
        for domain in ("Page", "Runtime", "Log", "Network"):
            await tab.call(f"{domain}.enable")
        await tab.call("Emulation.setFocusEmulationEnabled", enabled=True)
        await tab.resize(size, touch=touch)
        return tab


class Tab:
    """One tab.

    Attributes:
        complaints: Errors that the page or the browser's policy reported.
        asked: Every address that the page asked for.
        failed: Why requests came to nothing.
        width: Of the window, CSS pixels.
    """

    def __init__(self, browser: Browser, session: str) -> None:
        self._browser, self._session = browser, session
        self.complaints: list[str] = []
        self.asked: list[str] = []
        self.failed: list[str] = []
        self.width = 0

    async def call(self, method: str, **parameters: Any) -> Any:
        """Call a method of the protocol for this tab."""
        return await self._browser.call(method, self._session, **parameters)

    # -- what it reports ------------------------------------------------------------------------

    def take(self, event: dict[str, Any]) -> None:
        """Take in an event."""
        hear = HEARD.get(event["method"])
        if hear is not None:
            hear(self, event["params"])

    def _thrown(self, about: dict[str, Any]) -> None:
        detail = about["exceptionDetails"]
        self.complaints.append(str(detail.get("exception", {}).get("description", detail["text"])))

    def _logged(self, about: dict[str, Any]) -> None:
        entry = about["entry"]
        if entry["source"] in ("security", "javascript", "violation", "rendering"):
            self.complaints.append(f"{entry['source']}: {entry['text']}")

    def _printed(self, about: dict[str, Any]) -> None:
        if about["type"] in ("error", "warning", "assert"):
            self.complaints.append(f"console: {about['args']}")

    def _requested(self, about: dict[str, Any]) -> None:
        self.asked.append(str(about["request"]["url"]))

    def _failed(self, about: dict[str, Any]) -> None:
        self.failed.append(str(about["errorText"]))

    def _talked(self, about: dict[str, Any]) -> None:
        self.asked.append(str(about["url"]))

    def outside(self, base: str) -> list[str]:
        """Addresses that the page asked for that are not of the bridge."""
        own = urlsplit(base).netloc
        foreign = [url for url in self.asked if urlsplit(url).netloc != own]
        return [url for url in foreign if urlsplit(url).scheme not in ("about", "data")]

    # -- looking --------------------------------------------------------------------------------

    async def resize(self, size: tuple[int, int], *, touch: bool = True) -> None:
        """Make it a window of this size, in CSS pixels."""
        self.width, height = size
        await self.call("Emulation.setDeviceMetricsOverride", width=self.width, height=height,
                        deviceScaleFactor=1, mobile=touch)  # fmt: skip
        await self.call("Emulation.setTouchEmulationEnabled", enabled=touch)

    async def prefer(self, **features: str) -> None:
        """Emulate media features, ``prefers_reduced_motion="reduce"``."""
        await self.call("Emulation.setEmulatedMedia", features=[
            {"name": name.replace("_", "-"), "value": value} for name, value in features.items()
        ])  # fmt: skip

    async def go(self, url: str) -> None:
        """Begin to load an address."""
        await self.call("Page.navigate", url=url)

    async def js(self, code: str) -> Any:
        """The value of an expression in the page.

        Raises:
            RuntimeError: it threw.
        """
        answer = await self.call(
            "Runtime.evaluate", expression=code, returnByValue=True, awaitPromise=True
        )
        if "exceptionDetails" in answer:
            raise RuntimeError(f"{code[:200]}: {answer['exceptionDetails']}")
        return answer["result"].get("value")

    async def until(self, code: str, seconds: float = UNTIL_S) -> None:
        """Wait until an expression is true; asked again and again, since pages are exchanged.

        Raises:
            AssertionError: it never was.
        """
        value = None
        try:
            async with asyncio.timeout(seconds):
                while not value:
                    with contextlib.suppress(RuntimeError):
                        value = await self.js(f"!!({code})")
                    await asyncio.sleep(0.02)
        except TimeoutError:
            raise AssertionError(f"never true: {code}\n{await self.text()}") from None

    async def text(self) -> str:
        """What stands on the page."""
        return str(await self.js("document.body ? document.body.innerText : ''"))

    async def shot(self, path: Path, *, whole: bool = False) -> None:
        """A picture of what the window shows, or of the whole page."""
        answer = await self.call(
            "Page.captureScreenshot", format="png", captureBeyondViewport=whole
        )
        path.write_bytes(base64.b64decode(answer["data"]))

    # -- hands ----------------------------------------------------------------------------------

    async def key(self, name: str, *, shift: bool = False) -> None:
        """Press and release a key, by its name in `KeyboardEvent.key`."""
        text = {"Enter": "\r", " ": " "}.get(name, name if len(name) == 1 else "")
        code = KEY_CODES.get(name, ord(name.upper()) if len(name) == 1 else 0)
        common: dict[str, Any] = {
            "key": name, "windowsVirtualKeyCode": code, "modifiers": 8 if shift else 0,
        }  # fmt: skip
        if len(name) > 1:
            common["code"] = name
        down = {"text": text} if text else {}
        await asyncio.gather(
            self.call("Input.dispatchKeyEvent", type="keyDown", **common, **down),
            self.call("Input.dispatchKeyEvent", type="keyUp", **common),
        )

    async def write(self, text: str) -> None:
        """Type a text."""
        await self.call("Input.insertText", text=text)

    async def middle(self, selector: str) -> tuple[float, float]:
        """Where the middle of an element is, having scrolled to it where it is covered.

        Raises:
            AssertionError: there is none, or something covers it wherever it is scrolled to.
        """
        at = await self.js(MIDDLE.replace("SELECTOR", json.dumps(selector)))
        assert at, f"there is no {selector}"
        assert at[2], f"{selector} is covered"
        return float(at[0]), float(at[1])

    async def tap(self, selector: str) -> None:
        """Tap an element with a finger; in one go, so that a busy machine makes no long press."""
        at = await self.middle(selector)
        await asyncio.gather(self.finger("touchStart", *at), self.finger("touchEnd"))

    async def click(self, selector: str) -> None:
        """Click an element with the mouse."""
        x, y = await self.middle(selector)
        button = {"x": x, "y": y, "button": "left", "clickCount": 1}
        await asyncio.gather(*(
            self.call("Input.dispatchMouseEvent", type=kind, **button)
            for kind in ("mousePressed", "mouseReleased")
        ))  # fmt: skip

    async def finger(self, kind: str, x: float = 0.0, y: float = 0.0) -> None:
        """``touchStart``, ``touchMove``, ``touchEnd`` or ``touchCancel``."""
        points = [{"x": x, "y": y}] if kind in ("touchStart", "touchMove") else []
        await self.call("Input.dispatchTouchEvent", type=kind, touchPoints=points)


HEARD: dict[str, Callable[[Tab, dict[str, Any]], None]] = {
    "Runtime.exceptionThrown": Tab._thrown,
    "Runtime.consoleAPICalled": Tab._printed,
    "Log.entryAdded": Tab._logged,
    "Network.requestWillBeSent": Tab._requested,
    "Network.loadingFailed": Tab._failed,
    "Network.webSocketCreated": Tab._talked,
}
"""What of the reported events is kept."""

MIDDLE = """(() => {
  const e = document.querySelector(SELECTOR);
  if (!e) return null;
  const seen = () => {
    const b = e.getBoundingClientRect(), x = b.x + b.width / 2, y = b.y + b.height / 2;
    const top = document.elementFromPoint(x, y);
    return [x, y, !!top && (e.contains(top) || top.contains(e) && top !== document.body
                            && top !== document.documentElement)];
  };
  let at = seen();
  if (!at[2]) { e.scrollIntoView({block: 'center', inline: 'nearest'}); at = seen(); }
  return at;
})()"""
"""Where the middle of an element is, and whether it can be touched there."""
