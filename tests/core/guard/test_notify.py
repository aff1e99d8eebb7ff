"""What a service manager hears: sd_notify(3), sd_watchdog_enabled(3)."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.guard.notify import Notifier


class Manager:
    """A service manager that only listens."""

    def __init__(self, address: str) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(address)
        self.socket.setblocking(False)

    def heard(self) -> list[str]:
        found = []
        while True:
            try:
                found.append(self.socket.recv(4096).decode())
            except BlockingIOError:
                return found


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[Manager, str]]:
    if request.param == "path":
        name = address = str(tmp_path / "notify")
    else:
        name = f"@foldbridge-test-{os.getpid()}"
        address = "\0" + name[1:]
    listening = Manager(address)
    yield listening, name
    listening.socket.close()


def test_ready_alive_status_and_stopping_arrive(manager: tuple[Manager, str]) -> None:
    listening, name = manager
    notifier = Notifier({"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "3000000"})
    assert notifier.listens and notifier.watchdog_s == 3.0 and notifier.ping_s == 1.0
    notifier.ready("console live")
    notifier.alive()
    notifier.status("console live")  # no news
    notifier.status("console lost")
    notifier.stopping()
    notifier.alive()  # a service that stops says nothing more
    assert listening.heard() == [
        "READY=1\nSTATUS=console live", "WATCHDOG=1", "STATUS=console lost", "STOPPING=1",
    ]  # fmt: skip
    assert notifier.unheard == 0


def test_without_a_socket_nothing_is_told_and_nothing_fails() -> None:
    for environ in ({}, {"NOTIFY_SOCKET": ""}, {"NOTIFY_SOCKET": "vsock:2:1234"}):
        notifier = Notifier(environ)
        notifier.ready("")
        notifier.alive()
        notifier.stopping()
        assert not notifier.listens and notifier.unheard == 0


def test_a_manager_that_is_gone_holds_nobody_up(tmp_path: Path) -> None:
    notifier = Notifier({"NOTIFY_SOCKET": str(tmp_path / "gone")})
    notifier.ready("")
    notifier.alive()
    assert notifier.unheard == 2


def test_a_manager_that_does_not_read_holds_nobody_up(manager: tuple[Manager, str]) -> None:
    _, name = manager
    notifier = Notifier({"NOTIFY_SOCKET": name})
    for _ in range(2000):
        notifier.alive()
    assert notifier.unheard > 0


@pytest.mark.parametrize(
    ("environ", "expected"),
    [
        ({"WATCHDOG_USEC": "5000000"}, 5.0),
        ({"WATCHDOG_USEC": "5000000", "WATCHDOG_PID": "77"}, 5.0),
        ({"WATCHDOG_USEC": "5000000", "WATCHDOG_PID": "78"}, 0.0),  # meant for somebody else
        ({"WATCHDOG_USEC": "0"}, 0.0),
        ({"WATCHDOG_USEC": "-1"}, 0.0),
        ({"WATCHDOG_USEC": "soon"}, 0.0),
        ({}, 0.0),
    ],
)
def test_the_watchdogs_patience_is_read_if_it_is_meant_for_us(
    environ: dict[str, str], expected: float
) -> None:
    notifier = Notifier(environ, pid=77)
    assert notifier.watchdog_s == expected
    assert notifier.ping_s == (expected / 3 if expected else float("inf"))


def test_a_status_stays_one_line_so_that_it_says_no_other_word(
    manager: tuple[Manager, str],
) -> None:
    listening, name = manager
    notifier = Notifier({"NOTIFY_SOCKET": name})
    notifier.status("rig\nWATCHDOG=trigger\x1b[2J" + 300 * "x")
    (heard,) = listening.heard()
    assert "\n" not in heard and "\x1b" not in heard and len(heard) <= len("STATUS=") + 200
