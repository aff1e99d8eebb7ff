"""The ceilings of one moment, each with the rule behind it. Pure."""

from __future__ import annotations

import math

from bridge.mix.engine import Engine
from bridge.rig.rig import ENGINEER

INF = math.inf


class Tops:
    """All ceilings at once: those of the rig, those set live, and the stage's in one solve.

    Args:
        engine: The rules.
    """

    def __init__(self, engine: Engine) -> None:
        self._engine, self._matrix = engine, engine.matrix
        m, stage = engine.matrix, engine.stage
        self._tops: dict[int, tuple[float, str]] = {}
        if stage is None:
            return
        found = stage.goals.map()
        sends, rules = found.sends.ravel().tolist(), found.send_rules.ravel().tolist()
        self._tops = dict(enumerate(zip(sends, rules, strict=True), m.send))
        masters, rules = found.masters.tolist(), found.master_rules.tolist()
        self._tops.update(enumerate(zip(masters, rules, strict=True), m.master))

    def of(self, slot: int, who: int = ENGINEER) -> tuple[float, str]:
        """How high somebody may ask a send or master to go, dB, and the rule that ends it.

        Never below what is asked already: a ceiling stops raises.
        """
        engine, asked = self._engine, self._matrix.asked[slot]
        top, rule = engine.ceilings.ceiling(slot)
        near, why = self._tops.get(slot, (INF, ""))
        if near < top:
            top, rule = max(near, asked), why
        if who == ENGINEER:
            return top, rule
        own = engine.ceilings.own[who][slot]
        if own < top:
            top, rule = max(own, asked), "own ceiling"
        window = engine.wishes.windows.get(slot)
        if window is not None and window[1] < top:
            top, rule = max(window[1], asked), "room window"
        return top, rule
