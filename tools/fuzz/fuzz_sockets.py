"""Damaged requests and frames at the pages of a bridge that runs, in a process of its own. I/O.

The bridge stays in its process for all epochs of a run, as it would on a stage; what is looked at
is that it lives, answers, tells of no fault in its log and keeps its size.
"""

from __future__ import annotations

import base64
import json
import os
import re
import socket
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from fuzz_bytes import Mutator
from fuzz_house import MAPPINGS, Broken

START_S = 30.0
"""A bridge on a busy machine is up by then."""

ANSWER_S = 5.0
"""By then it answers a plain request, whatever else came in."""

LOOK_EVERY = 100
"""Inputs between two looks at whether it lives."""

GROWTH_MB_MAX = 32.0
"""The bridge may grow by so much after it has been warmed up."""

READ_S = 0.01
"""As long is waited for an answer to rubbish."""

_TRACE = re.compile(r"^Traceback .*\n(?:[ \t].*\n|\n)*.*\n", re.MULTILINE)

PAGE_WORDS: tuple[list[object], ...] = (
    ["set", 1, -6.0], ["set", 0, None], ["step", 3, 1.5], ["flip", 10], ["grip", 3], ["undo"],
    ["start", 1], ["presets"], ["recall", "house"], ["store", 0, "reel"], ["compare", "house"],
    ["copy", 0, 1], ["answer", 1, 1], ["limit", 3, -10.0, 0], ["limit", 3, None, None],
    ["sound", "next"], ["here"], ["code", 0], ["revoke", 1],
)  # fmt: skip
"""What pages say, each word once."""


CHUNKED = "Transfer-Encoding: chunked\r\n"
"""Announces a body in pieces (RFC 9112, section 7.1)."""


def free_port() -> int:
    """A port of this machine that is free now."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        port: int = sock.getsockname()[1]
        return port


class Running:
    """A bridge with pages in a process of its own.

    Attributes:
        port: Where its pages are.
        cookie: What the engineer's page sends with every request.
    """

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="foldbridge-fuzz-")
        self._log = Path(self._folder.name) / "log"
        self.port, self.cookie = free_port(), ""
        rig = Path(self._folder.name) / "fuzz.toml"
        rig.write_text(self._rig(), encoding="utf-8")
        command = [sys.executable, "-P", "-m", "bridge.cli", "run", str(rig)]
        where = str(MAPPINGS.parent)
        with self._log.open("wb") as log:
            self._process = subprocess.Popen(
                command, stdout=log, stderr=subprocess.STDOUT, cwd=where,
                env={**os.environ, "PYTHONPATH": where},
            )  # fmt: skip
        self.first_mb = 0.0
        try:
            self._join()
        except BaseException:
            self.close()
            raise

    def _rig(self) -> str:
        demo = (MAPPINGS / "rigs" / "demo.toml").read_text(encoding="utf-8")
        text = demo.split("[daemon]")[0].replace("../", f"{MAPPINGS.as_posix()}/")
        ports = iter(sorted(set(re.findall(r":(9[0-9]{3})", text))))
        for port in ports:
            text = text.replace(f":{port}", f":{free_port()}")
        return f'{text}\n[pages]\nlisten = "127.0.0.1:{self.port}"\n'

    def _join(self) -> None:
        """Wait until it is up, and come in with the code that its log tells."""
        until_s = time.monotonic() + START_S
        code = None
        while code is None:
            if self._process.poll() is not None or time.monotonic() > until_s:
                raise Broken(f"the bridge did not start: {self.log()[-1500:]}")
            time.sleep(0.05)
            code = re.search(r"/#(\S+) \(a code that works once\)", self.log())
        body = json.dumps({"code": code[1]}).encode()
        answer = self.ask(self.request("POST", "/join", body), ANSWER_S)
        found = re.search(rb"(?i)set-cookie: ([^;]+)", answer)
        if found is None:
            raise Broken(f"the engineer's code was refused: {answer[:300]!r}")
        self.cookie = found[1].decode()

    def log(self) -> str:
        """Everything that it has logged."""
        return self._log.read_text(encoding="utf-8", errors="replace")

    def request(self, method: str, path: str, body: bytes = b"", more: str = "") -> bytes:
        """A good request as one of our pages sends it."""
        host = f"127.0.0.1:{self.port}"
        lines = [f"{method} {path} HTTP/1.1", f"Host: {host}", f"Origin: http://{host}"]
        lines += [f"Cookie: {self.cookie}"] if self.cookie else []
        if body:
            lines += ["Content-Type: application/json", f"Content-Length: {len(body)}"]
        return ("\r\n".join(lines) + f"\r\n{more}\r\n").encode() + body

    def ask(self, data: bytes, wait_s: float) -> bytes:
        """Send bytes on a connection of their own, and take what comes at first."""
        with socket.create_connection(("127.0.0.1", self.port), timeout=ANSWER_S) as sock:
            sock.settimeout(wait_s)
            try:
                sock.sendall(data)
                return sock.recv(65_536)
            except (TimeoutError, ConnectionError, BrokenPipeError):
                return b""

    def talk(self) -> socket.socket:
        """An open WebSocket of the engineer's page, after its handshake (RFC 6455, section 4)."""
        key = base64.b64encode(bytes(16)).decode()
        more = ("Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
                f"Sec-WebSocket-Key: {key}\r\n")  # fmt: skip
        sock = socket.create_connection(("127.0.0.1", self.port), timeout=ANSWER_S)
        sock.sendall(self.request("GET", "/talk/desk", more=more))
        if b" 101 " not in sock.recv(65_536):
            sock.close()
            raise Broken("the engineer's page gets no WebSocket any more")
        return sock

    def look(self) -> None:
        """Whether it lives, answers, and has logged no fault of its own.

        Raises:
            Broken: it does not.
        """
        if self._process.poll() is not None:
            raise Broken(f"the bridge ended: {self.log()[-1500:]}")
        began_s = time.monotonic()
        answer = self.ask(self.request("GET", "/"), ANSWER_S)
        if not answer.startswith(b"HTTP/1.1 200"):
            took_s = time.monotonic() - began_s
            raise Broken(f"a good request got {answer[:60]!r} after {took_s:.1f} s")
        if faults := _TRACE.findall(self.log()):
            own = [fault for fault in faults if "aiohttp.http_exceptions" not in fault]
            raise Broken(f"it logged {len(faults)} tracebacks: {(own or faults)[0][-400:]}")
        grown = self.rss_mb() - self.first_mb
        if self.first_mb and not grown <= GROWTH_MB_MAX:
            raise Broken(f"the bridge grew by {grown:.0f} MB")

    def rss_mb(self) -> float:
        """Its memory, MB; 0 where the system does not say."""
        try:
            text = Path(f"/proc/{self._process.pid}/statm").read_text(encoding="ascii")
        except OSError:
            return 0.0
        return int(text.split()[1]) * 4096 / 1e6

    def close(self) -> None:
        """End it."""
        self._process.terminate()
        try:
            self._process.wait(10.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._folder.cleanup()


def frame(payload: bytes, opcode: int = 1) -> bytes:
    """A WebSocket frame as a browser sends it, masked (RFC 6455, section 5.2)."""
    mask = b"\x5a\xc3\x0f\x99"
    size = len(payload)
    head = bytes((0x80 | opcode, 0x80 | size)) if size < 126 else \
        bytes((0x80 | opcode, 0xFE)) + struct.pack(">H", size)  # fmt: skip
    return head + mask + bytes(byte ^ mask[at & 3] for at, byte in enumerate(payload))


class _Sockets:
    """What both targets share."""

    def __init__(self, seed: str, bridge: Running, corpus: list[bytes]) -> None:
        self._bridge, self._count = bridge, 0
        self._mutator = Mutator(seed, corpus)
        self.make = self._mutator.make

    def keep(self, data: bytes) -> None:
        """Look at the bridge now and then."""
        self._count += 1
        if self._count % LOOK_EVERY == 0:
            self._look()

    def _look(self) -> None:
        self._bridge.look()
        if not self._bridge.first_mb and self._count >= 5 * LOOK_EVERY:
            self._bridge.first_mb = self._bridge.rss_mb()

    def ended(self) -> None:
        """Look once more."""
        self._bridge.look()


class HttpTarget(_Sockets):
    """Damaged requests, each on a connection of its own."""

    def __init__(self, seed: str, bridge: Running) -> None:
        ask = bridge.request
        corpus = [
            ask("GET", path) for path in ("/", "/mine", "/desk", "/static/desk.js", "/nothing")
        ]
        corpus += [ask("POST", "/join", b'{"code": "ABCD"}'), ask("POST", "/leave", b'{"page": 1}'),
                   ask("POST", "/sign-in", b'{"passphrase": "tide"}'),
                   ask("GET", "/talk/desk", more="Upgrade: websocket\r\nConnection: Upgrade\r\n"),
                   ask("HEAD", "/desk"), ask("OPTIONS", "*"),
                   ask("POST", "/join", more=CHUNKED) + b"5\r\nabcde\r\n0"]  # fmt: skip
        super().__init__(seed, bridge, corpus)

    def take(self, data: bytes) -> None:
        """Send it, take what comes, hang up."""
        self._bridge.ask(data, READ_S)


class WebsocketTarget(_Sockets):
    """Damaged frames, some on one connection, until the bridge has had enough of it."""

    def __init__(self, seed: str, bridge: Running) -> None:
        said = [json.dumps(words).encode() for words in PAGE_WORDS]
        corpus = [frame(words) for words in said]
        corpus += [frame(b"", 9), frame(b"\x03\xe8", 8), frame(b"\x00\xff", 2), frame(b'["un', 1)]
        damaged = Mutator(f"{seed}/words", said)
        corpus += [frame(damaged.make()[:4000]) for _ in range(300)]
        super().__init__(seed, bridge, corpus)
        self._socket: socket.socket | None = None
        self._left = 0

    def take(self, data: bytes) -> None:
        """Send it as a page would."""
        if self._socket is None or self._left <= 0:
            self._hang_up()
            self._socket, self._left = self._bridge.talk(), 12
        self._left -= 1
        self._socket.settimeout(READ_S if self._left % 4 == 0 else 0.0)
        try:
            self._socket.sendall(data)
            if not self._socket.recv(65_536):
                self._hang_up()
        except (TimeoutError, BlockingIOError):
            pass
        except OSError:
            self._hang_up()

    def ended(self) -> None:
        """Hang up, and look once more."""
        self._hang_up()
        super().ended()

    def _hang_up(self) -> None:
        if self._socket is not None:
            self._socket.close()
        self._socket = None
