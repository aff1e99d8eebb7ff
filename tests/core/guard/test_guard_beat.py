"""The guard of a whole bridge: what its service manager hears, and what it does about faults."""

from __future__ import annotations

import asyncio
import logging
from pathlib import Path
from typing import Any

import pytest
from support.whole import KINDS, Run
from test_notify import Manager

from bridge.daemon import Daemon
from bridge.guard.stall import LATE_S
from bridge.guard.standing import FAILING_S, Guard, memory_bytes, slept_so_far_s
from bridge.rig.layout import Parameter as P


class Guarded(Run):
    """A bridge that lives for some virtual seconds, with something that happens to it."""

    seconds_alive = 14.0

    def __post_init__(self) -> None:
        super().__post_init__()
        self.notes: list[tuple[float, str]] = []
        self.manager: Manager | None = None
        self.slept = 0.0

    def at(self, daemon: Daemon, path: Path) -> None:
        """Put a listening service manager behind it."""
        self.manager = Manager(str(path))
        environ = {"NOTIFY_SOCKET": str(path), "WATCHDOG_USEC": "3000000"}
        daemon.guard = Guard(daemon, environ, lambda: self.slept)

    async def _play(self, loop: asyncio.AbstractEventLoop) -> None:
        while loop.time() < self.seconds_alive:
            await asyncio.sleep(0.1)
            if self.manager is not None:
                self.notes += [(loop.time(), text) for text in self.manager.heard()]
            self.happen(loop)

    def happen(self, loop: asyncio.AbstractEventLoop) -> None:
        """Something happens, or nothing."""

    async def _arrive(self, loop: asyncio.AbstractEventLoop) -> None:
        """Nothing is judged here."""

    def lived(self, path: Path) -> Guarded:
        self.sabotage = lambda daemon: self.at(daemon, path)
        self.judged()
        assert self.manager is not None
        self.notes += [(self.seconds_alive, text) for text in self.manager.heard()]
        self.manager.socket.close()
        return self

    def told(self, word: str) -> list[float]:
        return [at for at, text in self.notes if text.startswith(word)]


def test_a_service_manager_hears_ready_then_signs_of_life_then_stopping(tmp_path: Path) -> None:
    run = Guarded(1, KINDS["blind"], loss=0.0).lived(tmp_path / "notify")
    texts = [text.partition("\n")[0].partition("=")[0] for _, text in run.notes]
    assert texts[0] == "READY" and texts[-1] == "STOPPING"
    assert len(run.told("WATCHDOG=1")) == pytest.approx(13, abs=1)  # a third of three seconds
    assert any("ok: console live, 1 of 3 buses open" in text for _, text in run.notes)


class Failing(Guarded):
    """A house whose wake fails from the second on."""

    seconds_alive = 12.0

    def happen(self, loop: asyncio.AbstractEventLoop) -> None:
        if loop.time() > 2.0:

            def fails(now_s: float) -> None:
                raise KeyError("planted")

            house: Any = self.daemon.house
            house.wake = fails


def test_a_house_that_fails_at_every_turn_is_not_said_to_be_alive(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    run = Failing(1, KINDS["position"], loss=0.0)
    with caplog.at_level(logging.ERROR):
        run.lived(tmp_path / "notify")
    assert max(run.told("WATCHDOG=1")) < 2.0 + FAILING_S + 1.5
    assert any("down: the bridge fails" in text for _, text in run.notes)
    texts = [record for record in caplog.records if "failed to act" in record.message]
    assert len(texts) == 1, "what is the same is counted"


class Once(Guarded):
    """A house whose wake fails once, in the middle of a ramp."""

    seconds_alive = 14.0
    failed = False

    def happen(self, loop: asyncio.AbstractEventLoop) -> None:
        if loop.time() > 1.5 and not self.failed:
            self.failed = True
            self.cable.bridge_end.inbox = lambda batch: None  # nothing else wakes it
            house: Any = self.daemon.house
            wake = house.wake

            def fails(now_s: float) -> None:
                house.wake = wake
                raise ValueError("planted")

            house.wake = fails


def test_a_wake_that_fails_once_ends_nobodys_ramp(tmp_path: Path) -> None:
    run = Once(1, KINDS["blind"], loss=0.0).lived(tmp_path / "notify")
    m = run.daemon.house.engine.matrix
    assert run.failed and m.told[m.master] == pytest.approx(-30.0, abs=0.1)
    assert len(run.told("WATCHDOG=1")) >= 12


class Late(Guarded):
    """A machine that has no turn for the bridge, once."""

    stood = False

    def happen(self, loop: asyncio.AbstractEventLoop) -> None:
        if loop.time() > 4.0 and not self.stood:
            self.stood = True
            loop.stand_still(0.4)  # type: ignore[attr-defined]


def test_a_turn_that_came_late_is_counted_as_late_as_it_was(tmp_path: Path) -> None:
    lateness = Late(1, KINDS["position"], loss=0.0).lived(tmp_path / "notify").daemon.guard.lateness
    late = [(LATE_S[n], count) for n, count in enumerate(lateness.counts) if count]
    assert late[-1] == (1.0, 1) and sum(lateness.counts) > 100
    assert 0.3 <= lateness.sum_s <= 0.5


class Asleep(Guarded):
    """A machine that sleeps ten minutes, which the loop's clock does not count."""

    def happen(self, loop: asyncio.AbstractEventLoop) -> None:
        if loop.time() > 4.0 and not self.slept:
            self.slept = 600.0
            self.readings = self.count_readings()

    def count_readings(self) -> list[str]:
        seen: list[str] = []
        console: Any = self.daemon.house.console
        read = console._read
        console._read = lambda now_s: (seen.append("read"), read(now_s))
        return seen


def test_after_the_machine_slept_the_console_is_read_anew(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    run = Asleep(1, KINDS["position"], loss=0.0)
    with caplog.at_level(logging.WARNING):
        run.lived(tmp_path / "notify")
    assert run.readings == ["read"]
    assert [r.message for r in caplog.records if "slept" in r.message] == [
        "the machine slept for 600 s; the console is read anew"
    ]
    assert run.daemon.guard.stalls.asleep_s == 600.0


def test_a_flood_is_told_in_the_log_and_quietened_in_a_whole_bridge(
    caplog: pytest.LogCaptureFixture,
) -> None:
    class Flooded(Guarded):
        seconds_alive = 16.0

        def happen(self, loop: asyncio.AbstractEventLoop) -> None:
            if 2.0 < loop.time() < 9.0:
                for turn in range(150):
                    self.say(0, "/my/1/level", "f", 0.3 + turn / 1000)
            if loop.time() > 8.9 and loop.time() < 9.1:
                self.named = dict(self.daemon.house.controllers.troubled)

    run = Flooded(1, KINDS["blind"], loss=0.0)
    with caplog.at_level(logging.INFO):
        run.judged()
    assert list(run.named) == ["ines-tablet"]
    texts = [r.message for r in caplog.records if r.message.startswith("ines-tablet: ")]
    assert [("it floods" in text, "calm again" in text) for text in texts] == [
        (True, False), (False, True),
    ]  # fmt: skip
    send = run.rig.layout.slot(P.SEND_LEVEL, 0, 0)
    assert run.daemon.house.engine.matrix.asked[send] == pytest.approx(-60 + 0.449 * 90, abs=0.01)


def test_what_the_system_says_of_memory_and_sleep_is_a_number() -> None:
    assert memory_bytes() >= 0 and slept_so_far_s() >= -0.1
