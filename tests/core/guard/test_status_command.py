"""Asking a running bridge how it is: over HTTP, and with `foldbridge status`."""

from __future__ import annotations

import asyncio
import contextlib
import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from openmetrics import read
from support.onloop import on_loop
from test_health import GONE, changed, well

from bridge.errors import LinkError, RigError
from bridge.guard import serving
from bridge.guard.command import in_words, place_of, status
from bridge.guard.facts import Facts
from bridge.guard.serving import CONNECTIONS_MAX, PAGES, is_here, serve

RIG = """
[rig]
name = "Ferry Lane"
[[channel]]
id = "voice"
console = 1
[[bus]]
id = "front"
console = 1
[console]
map = "none.toml"
send = "udp://192.0.2.10:9000"
"""


async def asked(port: int, request: str) -> tuple[str, str]:
    """Head and body of the answer to a request written by hand."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(request.replace("\n", "\r\n").encode())
    answer = await asyncio.wait_for(reader.read(1_000_000), 10)
    writer.close()
    head, _, body = answer.decode().partition("\r\n\r\n")
    return head, body


def question(path: str, method: str = "GET", host: str = "127.0.0.1") -> str:
    return f"{method} {path} HTTP/1.1\nHost: {host}\nConnection: close\n\n"


@on_loop
async def test_health_and_figures_are_told_with_their_types() -> None:
    found = well()
    async with serve(("127.0.0.1", 0), lambda: found) as port:
        head, body = await asked(port, question("/health"))
        assert head.startswith("HTTP/1.1 200") and "application/json" in head
        assert json.loads(body)["status"] == "ok"
        head, body = await asked(port, question("/metrics"))
        assert "Content-Type: application/openmetrics-text; version=1.0.0; charset=utf-8" in head
        assert "foldbridge_health" in read(body)


@on_loop
async def test_a_bridge_that_is_down_says_so_to_probes_too() -> None:
    found = changed(well(), links=GONE)
    async with serve(("127.0.0.1", 0), lambda: found) as port:
        head, body = await asked(port, question("/health"))
        assert head.startswith("HTTP/1.1 503") and json.loads(body)["status"] == "down"


@on_loop
async def test_what_is_no_question_is_turned_away_and_nothing_is_looked_up_for_it() -> None:
    looks: list[int] = []

    def look() -> Facts:
        looks.append(1)
        return well()

    async with serve(("127.0.0.1", 0), look) as port:
        for request, code in (
            (question("/health", "POST"), 405), (question("/metrics", "DELETE"), 405),
            (question("/health", "HEAD"), 405), (question("/"), 404),
            (question("/health/../etc"), 404), (question("/health", host="evil.example"), 421),
            ("GET /health HTTP/1.1\nConnection: close\n\n", 400), ("\x00\x01\n\n", 400),
            (question("/health\nX: " + "y" * 20_000), 400),
        ):  # fmt: skip
            head, _ = await asked(port, request)
            assert head.split()[1] == str(code), request[:60]
    assert looks == [] and list(PAGES) == ["/health", "/metrics"]


@pytest.mark.parametrize(
    ("header", "expected"),
    [
        ("127.0.0.1", True), ("127.0.0.1:9780", True), ("localhost:9780", True),
        ("LOCALHOST", True), ("[::1]:9780", True), ("[::1]", True), ("127.8.9.1:1", True),
        ("192.0.2.5:9780", False), ("evil.example", False), ("", False), ("localhost.evil", False),
        ("127.0.0.1:port", False), ("127.0.0.1:", True), ("[::1]x", False), ("::1", False),
        ("localhost:123456", False), ("127.0.0.1@evil.example", False),
    ],
)  # fmt: skip
def test_only_names_of_this_machine_pass(header: str, expected: bool) -> None:
    assert is_here(header) is expected


async def talkers(port: int, count: int) -> list[tuple[asyncio.StreamReader, asyncio.StreamWriter]]:
    """Connections that begin a question and never end it."""
    found = []
    for _ in range(count):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(b"GET /health HTTP/1.1\r\nHost: ")
        found.append((reader, writer))
    await asyncio.sleep(0)
    return found


@on_loop
async def test_connections_are_bounded() -> None:
    async with serve(("127.0.0.1", 0), well) as port:
        kept = await talkers(port, CONNECTIONS_MAX)
        (beyond,) = await talkers(port, 1)
        with contextlib.suppress(ConnectionError):  # hung up on, either way
            assert await asyncio.wait_for(beyond[0].read(), 10) == b""
        for _, writer in [*kept, beyond]:
            writer.close()


@on_loop
async def test_no_connection_keeps_its_place_for_ever() -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(serving, "QUIET_S", 0.5)
        async with serve(("127.0.0.1", 0), well) as port:
            ((reader, writer),) = await talkers(port, 1)
            ended = asyncio.ensure_future(reader.read())
            for _ in range(200):  # a letter now and then, and never an end
                writer.write(b"x")
                await asyncio.wait({ended}, timeout=0.05)
                if ended.done():
                    break
            assert ended.done()
            writer.close()


@on_loop
async def test_a_port_that_is_taken_is_told_with_a_remedy() -> None:
    async with serve(("127.0.0.1", 0), well) as port:
        with pytest.raises(LinkError, match=r"health\.listen: .* stop what uses this port"):
            async with serve(("127.0.0.1", port), well):
                pass


# -- the command -----------------------------------------------------------------------------------


@contextmanager
def bridge(found: Facts) -> Iterator[int]:
    """Health served from another thread, as by another process."""
    ports: list[int] = []
    started, stop = threading.Event(), threading.Event()

    async def main() -> None:
        async with serve(("127.0.0.1", 0), lambda: found) as port:
            ports.append(port)
            started.set()
            await asyncio.to_thread(stop.wait)

    thread = threading.Thread(target=lambda: asyncio.run(main()))
    thread.start()
    assert started.wait(20)
    try:
        yield ports[0]
    finally:
        stop.set()
        thread.join(20)


@pytest.mark.parametrize(
    ("named", "code"), [({}, 0), ({"over": True}, 1), ({"console": "lost"}, 2)]
)
def test_the_exit_code_says_how_it_is(named: dict[str, object], code: int) -> None:
    said: list[str] = []
    with bridge(changed(well(), **named)) as port:
        assert status(f"http://127.0.0.1:{port}", show=said.append) == code
        assert status(f"127.0.0.1:{port}", as_json=True, show=said.append) == code
    word = ("ok", "degraded", "down")[code]
    assert said[0].startswith(f"Ferry Lane, simulated: {word}")
    assert json.loads(said[1])["status"] == word


def test_a_rig_file_says_where_to_ask(tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    with bridge(well()) as port:
        rig.write_text(f'{RIG}[health]\nlisten = "127.0.0.1:{port}"\n')
        said: list[str] = []
        assert status(str(rig), show=said.append) == 0
    assert "1 of 3 buses open: kit" in said[0]


def test_a_rig_that_does_not_say_where_is_told_what_to_write(tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(RIG)
    with pytest.raises(RigError, match=r'listen = "127\.0\.0\.1:9780" in \[health\]'):
        place_of(str(rig))


def test_where_nothing_answers_the_bridge_is_down(capsys: pytest.CaptureFixture[str]) -> None:
    with bridge(well()) as port:
        pass
    assert status(f"http://127.0.0.1:{port}/health") == 2
    assert "nothing answers at http://127.0.0.1" in capsys.readouterr().err
    assert status(f"127.0.0.1:{port}", as_json=True) == 2
    assert json.loads(capsys.readouterr().out)["status"] == "down"


def test_what_answers_and_is_no_bridge_counts_as_down(capsys: pytest.CaptureFixture[str]) -> None:
    import http.server

    class Other(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.end_headers()
            self.wfile.write(b'{"status": "splendid"}')

        def log_message(self, format: str, *args: object) -> None:
            """Nothing."""

    server = http.server.HTTPServer(("127.0.0.1", 0), Other)
    thread = threading.Thread(target=server.handle_request)
    thread.start()
    assert status(f"127.0.0.1:{server.server_address[1]}") == 2
    thread.join(20)
    server.server_close()
    assert "is no bridge" in capsys.readouterr().err


def test_text_from_elsewhere_moves_no_terminal() -> None:
    shown = in_words({"status": "ok", "rig": "\x1b[2J", "reasons": ["\x07" * 9], "buses": 3})
    assert shown.replace("\n", "").isprintable()
