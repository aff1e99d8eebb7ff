"""Puts what was kept back into the rules, as if the console had only been lost meanwhile. Pure.

What follows is the road that every lost console takes: the lower of the two levels stays, gates
that either side has closed stay closed, and no ramp goes on by itself.
"""

from __future__ import annotations

from bridge.journal.form import Past
from bridge.mix.engine import Engine
from bridge.mix.matrix import LEVEL, RUNNING


def resume(engine: Engine, past: Past, now_s: float) -> None:
    """Let an engine stand where another one stood; ``console_back`` must follow."""
    m = engine.matrix
    for slot in range(m.size):
        if m.can_set[slot] and past.told[slot] == past.told[slot]:
            _stand(engine, slot, past.told[slot], now_s)
    presets = range(m.preset, m.preset + len(m.layout.presets))
    for slot in (*range(m.group), *range(m.hold, m.ask), *presets):
        if past.asked[slot] == past.asked[slot]:
            m.asked[slot] = past.asked[slot]
    engine.gates.ready[:] = b"\1" * m.buses
    engine.phase = RUNNING
    engine.lost = True
    for slot in range(m.send, m.on):
        m.free[slot] = engine.gates.send_free(slot)
    for bus in range(m.buses):
        m.free[m.master + bus] = engine.gates.master_free(bus)
    engine.news.update(dict.fromkeys(range(m.size)))
    if engine.stage is not None:
        engine.stage.listening.begin(now_s)


def _stand(engine: Engine, slot: int, value: float, now_s: float) -> None:
    """The console has this; and no step up is to be had at once, as one may just have been."""
    m = engine.matrix
    if m.kind[slot] == LEVEL:
        m.rides.told_now(slot, value - m.rides.step[slot], now_s)
    m.told[slot] = m.goal[slot] = value
    m.settled[slot] = m.out[slot] = 1
