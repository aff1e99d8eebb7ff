"""The note about people: ceilings set live, what is asked and not answered, what is silent. Pure.

Holds and freezes are parameters, and kept with them.
"""

from __future__ import annotations

import json
import math
from typing import Any

from bridge.mix.engine import Engine
from bridge.mix.people import Request


def note_of(engine: Engine, unix_of_zero_s: float) -> bytes:
    """The note as it is kept.

    Args:
        engine: Whose people.
        unix_of_zero_s: The calendar's time when the bridge's clock stood at zero, s.
    """
    live = [
        [who, slot, None if db == math.inf else db]
        for (who, slot), db in engine.people.live.items()
    ]
    asks = [
        [r.number, r.performer, r.slot, r.at_s + unix_of_zero_s] for r in engine.people.requests
    ]
    said = {"live": live, "requests": asks, "silenced": list(engine.gates.silenced)}
    return json.dumps(said, separators=(",", ":")).encode()


def restore(engine: Engine, note: bytes, unix_of_zero_s: float) -> str:
    """Put a note back in force; answers what is wrong with it, empty when nothing is.

    A note that is damaged is left out as a whole: half of it would be a mixture.
    """
    if not note:
        return ""
    try:
        said: dict[str, Any] = json.loads(note)
        live = [
            (int(w), int(s), math.inf if db is None else float(db)) for w, s, db in said["live"]
        ]
        asks = [Request(int(n), int(w), int(s), float(at)) for n, w, s, at in said["requests"]]
        silenced = bytes(int(bool(each)) for each in said["silenced"])
        _check(engine, live, asks, silenced)
    except (ValueError, TypeError, KeyError, OverflowError, RecursionError) as problem:
        return f"the note about people is damaged ({type(problem).__name__}): it is left out"
    engine.gates.silenced[:] = silenced
    for who, slot, db in live:
        engine.people.set_ceiling(who, slot, db)
    people = engine.people
    people.requests[:] = [each._replace(at_s=each.at_s - unix_of_zero_s) for each in asks]
    people._asked = max((each.number for each in asks), default=people._asked)
    return ""


def _check(
    engine: Engine, live: list[tuple[int, int, float]], asks: list[Request], silenced: bytes
) -> None:
    """See that all of it is about this rig.

    Raises:
        ValueError: something is not.
    """
    m, people = engine.matrix, len(engine.rig.file.performer)
    levels = [slot for _, slot, _ in live] + [each.slot for each in asks]
    who = [number for number, _, _ in live] + [each.performer for each in asks]
    if len(silenced) != m.buses or not all(-1 <= number < people for number in who):
        raise ValueError("other people or buses")
    if not all(0 <= slot < m.size and m.kind[slot] == 0 and slot < m.group for slot in levels):
        raise ValueError("no levels")
    if not all(db == db for _, _, db in live):
        raise ValueError("no number")


def restore_switches(engine: Engine) -> None:
    """Holds and freezes, from what was asked."""
    m = engine.matrix
    for number in range(len(engine.rig.layout.performers)):
        engine.guard.freeze(number, m.asked[m.freeze + number] == 1.0)
    for bus in range(m.buses):
        engine.people.held[bus] = int(m.asked[m.hold + bus] == 1.0)
