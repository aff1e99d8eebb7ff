"""A loop that stood still: noticed, and nothing is made up for."""

from __future__ import annotations

import asyncio
import logging
import math
from typing import Any

import pytest
from support.house import House as SmallHouse
from support.whole import KINDS, Run

from bridge.guard.stall import Stalls
from bridge.maps.controller import ControllerWords
from bridge.maps.load import parse_map
from bridge.rig.layout import Layout
from bridge.rig.layout import Parameter as P
from bridge.wire import osc


def test_a_gap_longer_than_declared_is_a_stall_and_a_shorter_one_is_none() -> None:
    stalls = Stalls(0.25, 0.02)
    assert stalls.stood_s(100.0) == 0.0, "before the first turn there is no gap"
    assert stalls.stood_s(100.25) == 0.0
    assert stalls.stood_s(100.6) == pytest.approx(0.33)  # a tick may pass anyway
    assert stalls.stood_s(103.6) == pytest.approx(2.98)
    assert stalls.count == 2 and stalls.longest_s == pytest.approx(2.98)
    assert stalls.recent(163.6) and not stalls.recent(163.7)


def test_time_that_the_machine_slept_is_found_by_the_two_clocks() -> None:
    stalls = Stalls(0.25, 0.02)
    assert stalls.slept_s(1000.0, 1.0) == 0.0, "it had slept before we were there"
    assert stalls.slept_s(1000.001, 2.0) == 0.0
    assert stalls.slept_s(1600.0, 3.0) == pytest.approx(599.999)
    assert stalls.slept_s(1600.0, 4.0) == 0.0
    assert stalls.asleep_s == pytest.approx(599.999)


def test_a_ramp_goes_on_from_where_it_was() -> None:
    house = SmallHouse().started()
    house.open("kit")
    send = house.send("accordion", "kit")
    house.wish(-1, send, -20.0)
    house.run(3.0)
    before = house.told(send)
    assert before < -25
    twin = before + house.engine.matrix.rides.rise[send] * 0.02
    house.now_s += 10.0
    house.engine.matrix.rides.skip(10.0 - 0.02)
    house.engine.advance(house.now_s)
    house.pump()
    assert before <= house.told(send) <= twin + 1e-9


PRESS = """
[map]
name = "Foot board"
kind = "controller"
[[osc]]
parameter = "bus dim"
bus = 1
address = "/foot"
type = "i"
action = "toggle"
long_press = { hold_s = 0.5, parameter = "bus mute", action = "toggle" }
"""


def words() -> tuple[ControllerWords, Layout]:
    layout = Layout(("voice",), ("front",))
    return ControllerWords(parse_map(PRESS, "foot.toml"), layout), layout


def test_a_press_that_ends_in_a_stall_is_a_short_one() -> None:
    board, layout = words()
    assert board.decode(osc.encode("/foot", "i", (1,)), 10.0) == []
    board.skip(5.0)
    (move,) = board.decode(osc.encode("/foot", "i", (0,)), 15.1)
    assert layout.place(move.slot).parameter is P.BUS_DIM


def test_a_press_that_goes_on_after_a_stall_is_long_in_its_own_time() -> None:
    board, layout = words()
    board.decode(osc.encode("/foot", "i", (1,)), 10.0)
    board.skip(5.0)
    assert board.advance(15.4) == [] and board.next_wake_s() == 15.5
    (move,) = board.advance(15.5)
    assert layout.place(move.slot).parameter is P.BUS_MUTE


# -- a whole bridge on the virtual clock -----------------------------------------------------------


class Stalled(Run):
    """A bridge that stands still in the middle of a ramp."""

    stall_s = 0.0
    desk_db = math.nan

    async def _play(self, loop: asyncio.AbstractEventLoop) -> None:
        await asyncio.sleep(8.0)
        master = self.rig.layout.slot(P.BUS_MASTER, -1, 1)
        self.say(2, "/mix/2/open", "i", 1)
        await asyncio.sleep(12.0)
        self.say(2, "/mix/2/level", "f", 0.5)
        await asyncio.sleep(2.0)
        m = self.daemon.house.engine.matrix
        self.before = m.told[master]
        if self.desk_db == self.desk_db:
            loop.call_soon(self._pull_down, loop, master, 3)
        virtual: Any = loop
        virtual._now_s += self.stall_s
        await asyncio.sleep(0.03)
        self.after = m.told[master]
        self.stalls = self.daemon.guard.stalls.count
        self.desk_moves = self.daemon.house.console.desk_moves
        await asyncio.sleep(15.0)
        self.end = m.told[master]

    def _pull_down(self, loop: asyncio.AbstractEventLoop, slot: int, turns: int) -> None:
        """The desk moves when what was under way has arrived; what it says of it is lost."""
        if turns:
            loop.call_soon(self._pull_down, loop, slot, turns - 1)
        else:
            self.stand_in.move(slot, self.desk_db, loop.time())


def test_a_whole_bridge_that_stood_still_notices_and_its_ramp_goes_on(
    caplog: pytest.LogCaptureFixture,
) -> None:
    run = Stalled(3, KINDS["blind"], loss=0.0, delay_s=0.01)
    run.stall_s = 0.8
    with caplog.at_level(logging.WARNING):
        findings = run.judged()
    assert findings.ok, findings.text()
    assert run.stalls == 1
    assert run.before < -20 and run.before <= run.after <= run.before + 0.4
    assert run.end == pytest.approx(-15.0, abs=0.2)
    texts = [record.message for record in caplog.records if "stood still" in record.message]
    (text,) = texts
    assert (
        text.startswith("the bridge stood still for 0.7") and "go on from where they were" in text
    )


def test_without_a_stall_none_is_found() -> None:
    run = Stalled(3, KINDS["blind"], loss=0.0, delay_s=0.01)
    assert run.judged().ok and run.stalls == 0


def test_after_a_long_stall_the_console_is_read_before_anything_rises() -> None:
    run = Stalled(3, KINDS["position"], loss=0.0, delay_s=0.002)
    run.stall_s, run.desk_db = 30.0, -55.0  # somebody pulled it down meanwhile, and nobody heard
    findings = run.judged()
    assert findings.ok, findings.text()
    assert run.before > -40 and run.desk_moves == 0, "it was read, and not met word by word"
    assert run.end == pytest.approx(-55.0, abs=0.2), "it stays there until somebody asks"
