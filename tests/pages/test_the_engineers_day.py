"""The engineer's day, from the first page to the last: a whole bridge, real sockets, a witness."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

from support.onloop import on_loop
from support.paged import DEMO, Browser, Page, Paged, paged_rig

from bridge.house import console_words
from bridge.rig.layout import Parameter as P
from bridge.simulator.facts import Road, facts_from
from bridge.simulator.recording import header_of, note
from bridge.simulator.stand_in import StandIn
from bridge.simulator.witness import judge

DAY = DEMO + '\n[presets]\norder = ["after-soundcheck"]\n'


class Judged:
    """What the console heard of a bridge, with a note wherever a person acts."""

    def __init__(self, bridge: Paged) -> None:
        self.bridge = bridge
        near = console_words(bridge.rig, bridge.maps[bridge.rig.file.console.map])
        far = console_words(
            bridge.rig, bridge.maps[bridge.rig.file.console.map], at_console=True
        )  # fmt: skip
        fresh = StandIn(far, bridge.rig.layout, lambda line: None)
        facts = facts_from(bridge.rig, near, fresh.values, Road(delay_s=0.05, news_s=3.0))
        self.header = header_of(facts)

    def person(self) -> None:
        now_s = asyncio.get_running_loop().time()
        for what in ("person", "allowed_open"):
            self.bridge.console_says.append(note(now_s, what))

    def findings(self) -> Any:
        return judge([self.header, *self.bridge.console_says])


class Day:
    """The engineer at the laptop, and Ines with her phone."""

    def __init__(self, bridge: Paged, desk: Page, page: Page) -> None:
        self.bridge, self.desk, self.page = bridge, desk, page
        self.kick = bridge.send("kick", "kit")

    async def becomes(self, level_db: float) -> None:
        await self.bridge.until(lambda: self.bridge.asked(self.kick) == level_db)

    async def turn(self, parameter: P, value: int, bus: str = "") -> None:
        slot = self.bridge.slot(parameter, "", bus)
        await self.desk.say("set", slot, value)
        await self.bridge.until(lambda: self.bridge.asked(slot) == float(value))

    async def load_in(self) -> None:
        """The mix is closed and low; the engineer opens it and it comes up slowly."""
        await self.turn(P.BUS_OPEN, 1, "kit")
        await self.desk.say("set", self.kick, -24)
        await self.becomes(-24.0)

    async def an_ask(self) -> None:
        """Ines asks for more, and gets it with one touch."""
        await self.page.until(lambda v: str(self.kick) in v)
        await self.page.say("set", self.bridge.slot(P.ASK, "kick", "kit"), 1)
        await self.desk.until(lambda v: v.get("asks"))
        await self.desk.say("answer", self.desk.values["asks"][0][0], 1)
        await self.page.until(lambda v: v.get("answer", [0])[0] == 1)
        assert -24.0 < self.bridge.asked(self.kick) <= -18.0

    async def too_loud(self) -> None:
        """A ceiling set live lets the level down, and holds it there."""
        kick = self.kick
        await self.desk.say("limit", kick, -26, None)
        await self.page.until(lambda v: v[str(kick)][2:] == [-26.0, "engineer ceiling"], 8.0)
        await self.becomes(-26.0)
        await self.page.say("set", kick, -6)
        await self.page.until(lambda v: f"s{kick}" in v)
        assert self.page.values[f"s{kick}"][1] == "limited"
        assert self.bridge.asked(kick) == -26.0

    async def a_quarrel(self) -> None:
        """The engineer takes the mix over, and hands it back."""
        await self.turn(P.BUS_HOLD, 1, "kit")
        await self.page.say("set", self.kick, -30)
        await self.page.until(lambda v: v[f"s{self.kick}"][1] == "refused")
        assert self.bridge.asked(self.kick) == -26.0
        await self.turn(P.BUS_HOLD, 0, "kit")
        await self.page.say("set", self.kick, -30)
        await self.becomes(-30.0)

    async def a_stored_mix(self) -> None:
        """The mix is kept, moved by hand, recalled, and the recall taken back."""
        await self.desk.say("store", 0, "After soundcheck")
        await self.desk.say("presets")
        await self.desk.until(lambda v: v.get("presets"))
        name = self.desk.values["presets"][0]["name"]
        await self.page.say("set", self.kick, -40)
        await self.becomes(-40.0)
        await self.desk.say("recall", name)
        await self.becomes(-30.0)
        await self.desk.say("undo")
        await self.becomes(-40.0)

    async def a_ring(self) -> None:
        """One touch, and the stage is quiet; both pages say so."""
        m = self.bridge.engine.matrix
        await self.turn(P.SILENCE, 1)
        await self.page.until(lambda v: v.get("b0") == "silenced")
        await self.bridge.until(lambda: all(m.told[m.mute + b] == 1.0 for b in range(m.buses)))
        await self.turn(P.SILENCE, 0)
        await self.page.until(lambda v: v.get("b0") != "silenced")

    async def good_night(self) -> None:
        """The phone's token is taken out of force."""
        passes = self.bridge.pages.passes.all
        (serial,) = [one.serial for one in passes.values() if one.who == "ines"]
        await self.desk.say("revoke", serial)
        await self.bridge.until(lambda: not any(one.who == "ines" for one in passes.values()))


@on_loop
async def test_the_engineers_day(tmp_path: Path) -> None:
    async with (
        Paged(paged_rig(tmp_path, text=DAY)) as bridge,
        Browser(bridge) as phone,
        Browser(bridge) as laptop,
    ):
        await bridge.running()
        judged = Judged(bridge)
        judged.person()
        assert await laptop.sign_in("high tide") != 200, "a wrong passphrase opens nothing"
        assert await laptop.sign_in() == 200
        await phone.join("ines")
        async with laptop.page("desk") as desk, phone.page() as page:
            await desk.until(lambda v: v.get("ready") == 1)
            day = Day(bridge, desk, page)
            await day.load_in()
            await day.an_ask()
            await day.too_loud()
            await day.a_quarrel()
            await day.a_stored_mix()
            await day.a_ring()
            await day.good_night()
        findings = judged.findings()
        assert findings.ok, findings.text()
        assert len(bridge.console_says) > 50
