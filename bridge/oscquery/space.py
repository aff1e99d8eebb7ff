"""The address space of one controller of a running bridge: its tree and its values now. Pure."""

from __future__ import annotations

from bridge.house import House
from bridge.maps.model import MapFile
from bridge.oscquery.facts import Describer
from bridge.oscquery.methods import Facts, Method, Now, tags
from bridge.oscquery.spots import Rights, Spot, spots_of
from bridge.oscquery.tree import Tree
from bridge.rig.rig import Rig

METHODS_MAX = 16_384
"""Most addresses that are told: the sends and switches of 128 channels and 64 buses. Their whole
tree is some 4 MB of text."""


class Space:
    """What one controller may say, and what it would be shown.

    Args:
        house: The running bridge.
        rig: Its rig.
        number: The controller's number in the rig.
        map_file: Its map, in OSC.

    Attributes:
        tree: The address space.

    Raises:
        ValueError: more addresses than can be told, or too deep ones.
    """

    def __init__(self, house: House, rig: Rig, number: int, map_file: MapFile) -> None:
        engine = house.engine
        controller = house.controllers.all[number]
        self._asked, self._groups = engine.matrix.asked, engine.groups
        self._group = range(engine.matrix.group, engine.matrix.sound)
        self._turns = controller.words.turns
        rights = Rights(engine.guard, controller.who, engine.matrix.silence)
        describer = Describer(rig, engine, controller.words, rights)
        found: dict[tuple[str, str], list[tuple[Spot, Facts]]] = {}
        for spot in spots_of(rig, map_file, controller.words, rights):
            found.setdefault((spot.spoken.address, tags(spot)), []).append(
                (spot, describer.of(spot))
            )
            if len(found) > METHODS_MAX:
                raise ValueError(f"more than {METHODS_MAX} addresses in {map_file.map.name}")
        methods = [Method(*zip(*spots, strict=True)) for spots in found.values()]
        self.tree = Tree(methods, _about(rig, number))

    def value(self, slot: int) -> float:
        """The value of a parameter in the mix now: what is asked, as controllers are shown it."""
        return self._groups.level(slot) if slot in self._group else self._asked[slot]

    def read(self, method: Method) -> Now | None:
        """The value of a method now."""
        return method.now(self.value, self._turns.now)


def _about(rig: Rig, number: int) -> str:
    """The root in words."""
    controller = rig.file.controller[number]
    whose = rig.person(rig.hands(controller))
    return (
        f"{rig.file.rig.name}: what {controller.id} may say in the hands of {whose}; its OSC is "
        "taken from the addresses that the rig declares for it"
    )
