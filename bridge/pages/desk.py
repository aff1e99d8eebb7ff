"""The engineer's page: the whole matrix, and everything that the engineer looks after. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import Any, Protocol

from bridge import limits
from bridge.house import House
from bridge.mix.gesture import OUTCOMES, TAKEN, explain
from bridge.pages.scene import WHY, Scene, shown, top_of
from bridge.rig.layout import Parameter
from bridge.rig.rig import ENGINEER

VERDICTS_SHOWN = 12
"""Last verdicts on the page: what fits beside the matrix."""


class LinkLike(Protocol):
    """What is shown of a link."""

    name: str
    state: str
    received: int
    sent: int
    dropped: int
    refused: int


class Desk(Scene):
    """The scene of the engineer.

    Args:
        house: What is shown.
        links: Every link of the bridge.
        devices: What the page shows of those who have joined: made anew when it changes.
        ails: Everything that is not well with the bridge, in words, the worst first.
    """

    def __init__(
        self,
        house: House,
        links: Iterable[LinkLike],
        devices: Callable[[], list[dict[str, Any]]],
        ails: Callable[[], list[str]] = list,
    ) -> None:
        super().__init__(house, ENGINEER)
        self._ails = ails
        self._links, self._devices = list(links), devices
        self._counts: list[int] = []
        self.limited()

    def limited(self) -> None:
        """Take in the ceilings that the engineer has set live: slot, performer or -1, dB."""
        live = self.engine.people.live
        self.put("limits", [[slot, whom, shown(db)] for (whom, slot), db in live.items()])

    def may(self) -> frozenset[int]:
        """Slots that this page may move: whatever it shows, and nothing that only meters say."""
        m = self.matrix
        return frozenset(range(m.size)) - frozenset(range(m.sound, m.hold))

    def plan(self) -> dict[str, Any]:
        """What stays as it is: names, slots, words."""
        m, rig = self.matrix, self.house.rig
        buses = [
            {
                "bus": b, "label": rig.bus_label(b), "master": m.master + b, "mute": m.mute + b,
                "dim": m.dim + b, "open": m.open + b, "hold": m.hold + b,
                "top": top_of(self.engine, b),
                "sends": [slot if m.can_set[slot] else None for slot in m.sends_of_bus(b)],
                "owners": [p for p, one in enumerate(rig.file.performer)
                           if rig.file.bus[b].id in one.buses],
            }
            for b in range(m.buses)
        ]  # fmt: skip
        freeze = [rig.layout.slot(Parameter.FREEZE, p) for p in range(len(rig.file.performer))]
        return {
            "rig": rig.file.rig.name, "you": rig.person(ENGINEER), "buses": buses, "why": WHY,
            "channels": [rig.channel_label(c) for c in range(m.channels)],
            "people": [{"name": rig.person(p), "freeze": freeze[p]}
                       for p in range(len(freeze))],
            "silence": m.silence, "freeze": rig.layout.slot(Parameter.FREEZE),
            "floor": m.floor_db, "step": 1.0, "more": limits.REQUEST_DB,
        }  # fmt: skip

    def around(self, now_s: float) -> None:
        """What belongs to no bus and may change at any moment."""
        super().around(now_s)
        engine, rig, m = self.engine, self.house.rig, self.matrix
        frozen = engine.guard.frozen
        self.put("frozen", [int(frozen[p]) for p in range(len(rig.file.performer))])
        self.put("asks", [
            [one.number, rig.person(one.performer),
             rig.channel_label((one.slot - m.send) // m.buses),
             rig.bus_label((one.slot - m.send) % m.buses), one.slot]
            for one in engine.people.requests
        ])  # fmt: skip
        counts = self.house.controllers.counts
        if counts != self._counts:  # to write a verdict out takes longer than to look for one
            self._counts = list(counts)
            self.put("wishes", list(counts))
            self.put("last", [
                [name, OUTCOMES[verdict.outcome], explain(verdict, rig)]
                for _, name, verdict in self.worth_telling()
            ])  # fmt: skip

    def worth_telling(self) -> list[tuple[float, str, Any]]:
        """The last verdicts that were not simply taken, newest first."""
        kept = self.house.controllers.verdicts
        found = [one for one in reversed(kept) if one[2].outcome != TAKEN]
        return found[:VERDICTS_SHOWN]

    def slowly(self, now_s: float) -> None:
        """What is worth a look now and then: links, ears, devices, the stage as a whole."""
        self.put("unanswered", len(self.house.console.unanswered()))
        self.put("links", [
            [one.name, one.state, one.received, one.sent, one.dropped, one.refused]
            for one in self._links
        ])  # fmt: skip
        self.put("ails", self._ails())
        self.put("memory", self.house.memory())
        self.put("devices", self._devices())
        self.put("stage", self._stage())
        self.put("ears", self._ears(now_s))
        self.limited()

    def _stage(self) -> dict[str, Any] | None:
        stage = self.engine.stage
        if stage is None:
            return None
        left_db = stage.goals.left_db()
        left = None if left_db == math.inf else round(left_db, 1)
        return {"left": left, "over": bool(stage.over)}

    def _ears(self, now_s: float) -> list[dict[str, Any]]:
        """What each pair of ears gets, marked as an estimate where no meter says it."""
        stage = self.engine.stage
        if stage is None:
            return []
        return [
            {
                "name": self.house.rig.person(heard.performer),
                "level": shown(heard.level_db), "measured": heard.measured,
                "percent": round(heard.percent, 1), "all_measured": heard.all_measured,
                "left_min": None if heard.remaining_s == math.inf
                else round(heard.remaining_s / 60.0),
            }
            for heard in stage.listening.now(now_s)
        ]  # fmt: skip
