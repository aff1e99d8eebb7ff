"""The room keeper's day: a rehearsal room that looks after itself, from morning to night.

A whole bridge on the virtual clock, on a lossy road, judged by the witness; nobody is there but
two bands, and a cleaner who leans on a knob.
"""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest
from support.whole import KINDS, Run

from bridge.presets import room as rooms
from bridge.rig.layout import Parameter as P
from bridge.units import OFF

HOUSE = """
label = "House mix"
by = "Ruth"
when = 2026-11-25T09:00:00Z
[scope]
buses = ["kit", "front", "side"]
"""


def mix(send: float, master: float) -> str:
    """A preset of all three mixes."""
    return HOUSE + "".join(
        f"[bus.{bus}]\nmaster_db = {master}\n[bus.{bus}.send]\n"
        f"kick = {{ level_db = {send}, on = true }}\nvoice = {{ level_db = {send}, on = true }}\n"
        for bus in ("kit", "front", "side")
    )


async def at_once(work: Any, *arguments: Any) -> Any:
    """Files are read in the loop itself: a virtual clock knows no threads."""
    return work(*arguments)


class Day(Run):
    """One day in the room; ``seen`` is what the keeper would have looked at."""

    seen: dict[str, Any]

    def wish(self, who: int, slot: int, value: float) -> Any:
        self.person()
        now_s = asyncio.get_running_loop().time()
        verdict = self.daemon.house.controllers.wish("knob", who, slot, 0, value, now_s)
        self.daemon.wished()
        return verdict

    async def _play(self, loop: asyncio.AbstractEventLoop) -> None:
        self.seen = {}
        self.kick = self.rig.layout.slot(P.SEND_LEVEL, 0, 0)
        self.person("allowed_open")
        self._note_what_is_declared()
        await self._morning()
        await self._first_band()
        await self._power_cut()
        await self._evening()
        await self._night()

    def person(self, what: str = "person") -> None:
        """Somebody acts, or what the rig declares, which is as good as a person who asks."""
        now_s = asyncio.get_running_loop().time()
        self.lines.append({"what": "note", "note": what, "at": now_s})

    def asked(self, slot: int) -> float:
        return self.daemon.house.engine.matrix.asked[slot]

    def _note_what_is_declared(self) -> None:
        presets = self.daemon.presets
        assert presets is not None
        self.presets, running = presets, presets.running
        running._aside, obey = at_once, running.obey

        async def noted(here: Any, order: Any) -> Any:
            self.person()
            return await obey(here, order)

        running.obey = noted  # type: ignore[method-assign]

    async def _morning(self) -> None:
        """Nobody is there: the room opens by itself, with its house mix."""
        await asyncio.sleep(60.0)
        opened = self.rig.layout.slots(P.BUS_OPEN)
        self.seen["open by itself"] = [self.asked(slot) for slot in opened]
        self.seen["house mix"] = self.asked(self.kick)

    async def _first_band(self) -> None:
        """It turns itself up as far as the window goes, and chooses the other mix."""
        seen = self.seen
        seen["up"] = self.wish(0, self.kick, 0.0)
        seen["down"] = self.wish(0, self.kick, OFF)
        seen["foreign"] = self.wish(0, self.rig.layout.slot(P.SEND_LEVEL, 0, 1), -40.0)
        self.presets.call(0, rooms.NEXT)
        await asyncio.sleep(30.0)
        seen["quiet mix"] = self.asked(self.kick)
        self.presets.call(0, "loud as hell")
        await asyncio.sleep(5.0)
        seen["undeclared"] = self.asked(self.kick)

    async def _power_cut(self) -> None:
        """The console is away for a while."""
        self.person("lost")
        self.cable.bridge_end.pull()
        await asyncio.sleep(10.0)
        self.cable.bridge_end.plug()
        await asyncio.sleep(15.0)

    async def _evening(self) -> None:
        """Everybody goes home; the meter on the wall goes on measuring; the room goes back."""
        loop, meter = asyncio.get_running_loop(), self.rig.layout.slots(P.SOUND_LEVEL)[0]
        for _ in range(30):
            await asyncio.sleep(30.0)
            self.daemon.house.controllers.wish("meter", -1, meter, 0, 40.0, loop.time())
            self.daemon.followed()
        self.seen["after idle"] = self.asked(self.kick)

    async def _night(self) -> None:
        """A cleaner leans on a knob; at the declared hour all is as it should be."""
        self.wish(0, self.kick, -18.0)
        self.seen["left so"] = self.asked(self.kick)
        for self.minute in (23 * 60 + 59, 0, 3 * 60 + 59, 4 * 60):
            await asyncio.sleep(5.0)
        await asyncio.sleep(90.0)
        self.seen["in the morning"] = self.asked(self.kick)

    minute = 10 * 60


def day(folder: Path, seed: int) -> Day:
    (folder / "house.toml").write_text(mix(-15.0, -10.0))
    (folder / "quiet.toml").write_text(mix(-30.0, -20.0))
    (folder / "loud as hell.toml").write_text(mix(0.0, 0.0))
    tables = (
        f'[presets]\nfolder = "{folder}"\n[room]\npresets = ["house", "quiet"]\n'
        'window_db = 4\nidle_min = 10\nhome_at = ["04:00"]\n'
    )
    kind = KINDS[list(KINDS)[seed % len(KINDS)]]
    run = Day(seed, kind, stage=tables)

    def keep_hours(daemon: Any) -> None:
        daemon.presets._minute_of_day = lambda: run.minute

    run.sabotage = keep_hours
    return run


@pytest.mark.long
@pytest.mark.parametrize("seed", range(3))
def test_the_room_keepers_day(seed: int, tmp_path: Path) -> None:
    here = day(tmp_path, seed)
    findings = here.judged()
    assert findings.ok, f"seed {seed}: {findings.text()}"
    seen = here.seen
    assert seen["open by itself"] == [1.0, 1.0, 1.0]
    assert seen["house mix"] == -15.0
    assert (seen["up"].level, seen["up"].rule) == (-11.0, "room window")
    assert (seen["down"].level, seen["down"].rule) == (-19.0, "room window")
    assert seen["foreign"].rule == "not yours"
    assert seen["quiet mix"] == -30.0 and seen["undeclared"] == -30.0
    assert seen["after idle"] == -15.0, "a meter is no hand"
    assert seen["left so"] == -18.0 and seen["in the morning"] == -15.0
