"""Presets on pages: listed, recalled, kept, compared, copied; files are read in threads. I/O.

A recall from a page goes the road of every recall: it moves what is that person's to move, passes
no ceiling, and says afterwards what it could not reach. Undo on the page takes it back.
"""

from __future__ import annotations

import asyncio
import logging
import re
import unicodedata
from collections import deque
from collections.abc import Awaitable, Callable, Iterable, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from bridge import units
from bridge.pages.client import Client
from bridge.pages.messages import Said
from bridge.presets.preset import PresetError
from bridge.presets.recall import Report
from bridge.presets.values import Wanted
from bridge.rig.fields import ID_PATTERN
from bridge.rig.layout import KINDS, Kind
from bridge.rig.rig import ENGINEER, Rig

if TYPE_CHECKING:
    from bridge.pages.server import Bridge
    from bridge.presets.files import Listed
    from bridge.presets.running import Running

log = logging.getLogger("foldbridge.pages")

LISTED_S = 2.0
"""A list of the folder is good for so long: many phones that come back at once read it once."""

ROWS_MAX = 60
"""Differences shown; what differs in more places is another mix."""

WAITING_MAX = 4
"""Wishes of one page that wait for the one before: a hand presses one at a time."""

NO_PRESETS = "this rig has no presets"
BUSY = "one moment: what you asked for before is not done yet"

_ID = re.compile(ID_PATTERN)
_SHOWN: dict[Kind, Callable[[float], str]] = {
    Kind.LEVEL: units.text,
    Kind.SWITCH: lambda value: "on" if value >= 0.5 else "off",
    Kind.TAP: lambda value: "post" if value >= 0.5 else "pre",
    Kind.PAN: lambda value: f"{value:+.2f}",
}


def name_of(label: str) -> str:
    """The name under which a label is kept: ``Second set!`` is ``second-set``."""
    plain = unicodedata.normalize("NFKD", label).encode("ascii", "ignore").decode().lower()
    name = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:40].strip("-")
    return name or f"mix-{datetime.now(UTC):%Y%m%d-%H%M%S}"


class Shelf:
    """Presets, for all pages.

    Args:
        bridge: The running bridge.
        rig: Its rig.
        clients: Pages that are open.
    """

    def __init__(self, bridge: Bridge, rig: Rig, clients: Sequence[Client]) -> None:
        self._bridge, self._rig, self._clients = bridge, rig, clients
        self._doing: dict[Client, asyncio.Task[None]] = {}
        self._waiting: dict[Client, deque[Said]] = {}
        self._reading = asyncio.Lock()
        self._listed: tuple[Listed, ...] = ()
        self._listed_s = float("-inf")
        self._current = ""
        self._acts: dict[str, Callable[[Client, Said, Running], Awaitable[None]]] = {
            "presets": self._show, "recall": self._recall, "store": self._store,
            "compare": self._compare, "copy": self._copy,
        }  # fmt: skip

    @property
    def words(self) -> Iterable[str]:
        """Words of pages that mean presets."""
        return self._acts

    @property
    def there(self) -> bool:
        """Whether this bridge has presets."""
        return self._bridge.presets is not None

    def may_keep(self, who: int) -> bool:
        """Whether somebody may keep a mix here."""
        serving = self._bridge.presets
        if serving is None:
            return False
        return serving.running.room is None or not serving.running.room.refusal(who)

    def heard(self, one: Client, said: Said, _: float) -> str:
        """Note what a page wants; it is done when what it wanted before is done."""
        serving = self._bridge.presets
        if serving is None:
            return NO_PRESETS
        waiting = self._waiting.setdefault(one, deque())
        if len(waiting) >= WAITING_MAX:
            return BUSY
        waiting.append(said)
        if one not in self._doing:
            act = self._work(one, serving.running)
            task = asyncio.get_running_loop().create_task(act, name=f"presets {one.hands.road}")
            self._doing[one] = task
        return ""

    async def close(self) -> None:
        """Let what was begun end, for a moment: a recall that was cut off is half a mix."""
        if self._doing:
            await asyncio.wait(list(self._doing.values()), timeout=1.0)

    def slowly(self) -> None:
        """Tell pages which preset was recalled last."""
        serving = self._bridge.presets
        if serving is not None and serving.running.current != self._current:
            self._current = serving.running.current
            for one in self._clients:
                if "presets" in one.own:
                    one.mine("preset", self._current)

    # -- what is done ---------------------------------------------------------------------------

    async def _work(self, one: Client, running: Running) -> None:
        """Do what a page wants, one thing after the other."""
        waiting = self._waiting[one]
        try:
            while waiting:
                await self._do(one, waiting[0], running)
                waiting.popleft()
        finally:
            del self._doing[one], self._waiting[one]

    async def _do(self, one: Client, said: Said, running: Running) -> None:
        try:
            await self._acts[said.word](one, said, running)
        except PresetError as error:
            self._tell(one, str(error))
        except Exception:  # a page may never take the bridge down with it
            log.exception("pages: a preset failed")
            self._tell(one, "this failed; the bridge's log says how")

    @staticmethod
    def _tell(one: Client, words: str) -> None:
        count = one.own.get("report", [0])[0]
        one.mine("report", [count + 1, words])

    async def _show(self, one: Client, _: Said, running: Running) -> None:
        await self._read(running)
        self._give(one, running)

    async def _recall(self, one: Client, said: Said, running: Running) -> None:
        if not _ID.fullmatch(said.text):
            self._tell(one, "there is no such preset")
            return
        self._done(one, await running.recall(said.text, one.hands.who), running, "preset ")

    async def _copy(self, one: Client, said: Said, running: Running) -> None:
        buses, target = self._rig.layout.buses, int(said.value)
        if not (said.number < len(buses) and 0 <= target < len(buses)):
            self._tell(one, "there is no such mix")
            return
        report = await running.copy(buses[said.number], buses[target], one.hands.who)
        self._done(one, report, running, "copy of ")

    def _done(self, one: Client, report: Report, running: Running, what: str) -> None:
        """Tell what became of it; in a room only the engineer may take it back."""
        who = one.hands.who
        if not report.refusal and (running.room is None or not running.room.refusal(who)):
            one.hands.recalled(what + report.title, report.changes)
            one.mine("undo", one.hands.undoes)
        self._tell(one, report.text(self._rig))
        self.slowly()

    async def _store(self, one: Client, said: Said, running: Running) -> None:
        """Keep the own mixes; what is there already goes only when the page says so."""
        who, label = one.hands.who, said.text.strip()
        name = name_of(label)
        await self._read(running, fresh=True)
        there = any(listed.name == name for listed in self._listed)
        if there and said.number != 1:
            self._kept(one, label, there=True)
            return
        rig = self._rig
        buses = rig.layout.buses if who == ENGINEER else rig.file.performer[who].buses
        await running.store(name, who, Wanted(list(buses), label=label), replace=there)
        await self._read(running, fresh=True)
        for other in self._clients:
            if "presets" in other.own:
                self._give(other, running)
        self._kept(one, label, there=False)

    @staticmethod
    def _kept(one: Client, label: str, *, there: bool) -> None:
        count = one.own.get("kept", [0])[0]
        one.mine("kept", [count + 1, label, int(there)])

    async def _compare(self, one: Client, said: Said, running: Running) -> None:
        if not _ID.fullmatch(said.text):
            self._tell(one, "there is no such preset")
            return
        found = await running.compare(said.text)
        rows = [
            [self._rig.name(d.slot), self._text(d.slot, d.stored), self._text(d.slot, d.now)]
            for d in found[:ROWS_MAX]
        ]
        count = one.own.get("compare", {"count": 0})["count"]
        one.mine("compare", {"count": count + 1, "name": said.text, "rows": rows,
                             "more": len(found) - len(rows)})  # fmt: skip

    def _text(self, slot: int, value: float) -> str:
        if value != value:
            return "not known"
        return _SHOWN[KINDS[self._rig.layout.place(slot).parameter][0]](value)

    # -- the list -------------------------------------------------------------------------------

    async def _read(self, running: Running, *, fresh: bool = False) -> None:
        """Read the folder, unless it has just been read."""
        async with self._reading:
            now_s = running.clock()
            if fresh or now_s - self._listed_s > LISTED_S:
                self._listed = await running.listed()
                self._listed_s = running.clock()

    def _give(self, one: Client, running: Running) -> None:
        rows = [self._row(listed) for listed in self._for(one.hands.who, running)]
        one.mine("presets", rows)
        one.mine("preset", running.current)

    def _for(self, who: int, running: Running) -> Iterable[Listed]:
        """What somebody is shown: all, what a room has for their hands, or what moves their mix."""
        if running.room is not None:
            plan = running.room.plan
            hands = who == ENGINEER or plan.hands is None or who in plan.hands
            by_name = {one.name: one for one in self._listed}
            return [by_name[name] for name in plan.presets if hands and name in by_name]
        if who == ENGINEER:
            return self._listed
        own = self._rig.file.performer[who].buses
        return [
            one for one in self._listed
            if one.preset is not None and any(bus in own for bus in one.preset.scope.buses)
        ]  # fmt: skip

    def _row(self, listed: Listed) -> dict[str, Any]:
        preset = listed.preset
        if preset is None:
            return {"name": listed.name, "label": listed.name, "fault": listed.fault}
        buses = [self._rig.bus_label(self._rig.layout.buses.index(b)) for b in preset.scope.buses]
        return {
            "name": listed.name, "label": preset.label or listed.name, "note": preset.note or "",
            "by": preset.by, "when": f"{preset.moment:%Y-%m-%d}", "cue": preset.cue or "",
            "buses": buses, "fault": "",
        }  # fmt: skip
