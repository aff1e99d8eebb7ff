"""A performer's page: the own mixes and nothing else. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from bridge.house import House
from bridge.pages.scene import WHY, Scene, top_of


class OwnMix(Scene):
    """The scene of one performer.

    Args:
        house: What is shown.
        who: Performer's number.

    Attributes:
        answer: The last answer to an ask: how many there were, and its words.
    """

    def __init__(self, house: House, who: int) -> None:
        super().__init__(house, who)
        layout = house.rig.layout
        self._buses = [layout.buses.index(name) for name in house.rig.file.performer[who].buses]
        self.answer: list[Any] = [0, ""]

    def buses(self) -> Iterable[int]:
        """Numbers of the performer's buses."""
        return self._buses

    def may(self) -> frozenset[int]:
        """Slots that this page may move: in the own buses, as far as the rig gives it.

        Narrower than the performer's rights: channels' own controls, and what belongs to the
        whole house, are not moved from here.
        """
        m, given = self.matrix, self.engine.guard.may[self.who]
        slots = [m.master + b for b in self._buses]
        for b in self._buses:
            slots += [m.mute + b, m.dim + b, *m.sends_of_bus(b)]
            for first in (m.on, m.pan, m.ask):
                slots += [slot - m.send + first for slot in m.sends_of_bus(b)]
        return frozenset(slot for slot in slots if given[slot])

    def plan(self) -> dict[str, Any]:
        """What stays as it is: names, slots, words."""
        m, rig, may = self.matrix, self.house.rig, self.may()
        buses = []
        for b in self._buses:
            sends = [
                {
                    "slot": slot,
                    "label": rig.channel_label(c),
                    "may": slot in may,
                    "ask": slot - m.send + m.ask if slot - m.send + m.ask in may else None,
                }
                for c, slot in enumerate(m.sends_of_bus(b))
                if m.can_set[slot]
            ]
            buses.append({
                "bus": b, "label": rig.bus_label(b), "sends": sends,
                "master": m.master + b, "may": m.master + b in may,
                "mute": m.mute + b if m.mute + b in may else None,
                "dim": m.dim + b if m.dim + b in may else None,
                "hold": m.hold + b, "top": top_of(self.engine, b),
            })  # fmt: skip
        return {
            "rig": rig.file.rig.name, "you": rig.person(self.who),
            "engineer": rig.file.engineer.name, "buses": buses,
            "why": WHY,
            "silence": m.silence, "floor": m.floor_db, "step": 1.0,
        }  # fmt: skip

    def answered(self, words: str) -> None:
        """Somebody answered what this performer asked for."""
        self.answer = [self.answer[0] + 1, words]

    def around(self, now_s: float) -> None:
        """What belongs to no bus: freezes, what was asked for and what was answered."""
        super().around(now_s)
        self.put("frozen", int(self.engine.guard.frozen[self.who]))
        requests = self.engine.people.requests
        self.put("asked", [one.slot for one in requests if one.performer == self.who])
        self.put("answer", self.answer)
