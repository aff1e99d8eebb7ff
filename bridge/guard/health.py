"""How a running bridge is: ok, degraded or down, and why, in words. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from bridge.guard.facts import Facts

OK, DEGRADED, DOWN = range(3)
"""How bad it is; also what ``foldbridge status`` ends with."""

GRADES = ("ok", "degraded", "down")

CONSOLE = "console"
"""The name of the console's link."""

_Because = tuple[int, Callable[[Facts], Iterator[str]]]


def _console_link(facts: Facts) -> Iterator[str]:
    for link in facts.links:
        if link.name == CONSOLE and link.state != "open":
            yield f"the link to the console is {link.state}, so nothing reaches it"


def _silence(facts: Facts) -> Iterator[str]:
    if facts.console == "lost":
        yield "the console does not answer, so nothing may rise"


def _failing(facts: Facts) -> Iterator[str]:
    if facts.run.failing:
        yield f"the bridge fails whenever it should act: {facts.run.last_fault}"


def _reading(facts: Facts) -> Iterator[str]:
    if facts.console == "reading":
        yield f"the console is being read; {facts.unanswered} questions are not answered yet"
    elif facts.console == "live" and not facts.started:
        yield "the start is not over: sends are going out"


def _links(facts: Facts) -> Iterator[str]:
    for link in facts.links:
        if link.name != CONSOLE and link.state != "open":
            what = {"lost": "was lost", "opening": "is not there yet"}.get(link.state, "is closed")
            yield f"{link.name} {what}"


def _troubled(facts: Facts) -> Iterator[str]:
    for name, why in facts.troubled.items():
        yield f"{name}: {why}"


def _stalled(facts: Facts) -> Iterator[str]:
    if facts.run.stalled_lately:
        longest_s = facts.run.longest_stall_s
        yield f"the bridge stood still lately; {longest_s:.2f} s at most since the start"


def _failed(facts: Facts) -> Iterator[str]:
    if facts.run.failed_lately and not facts.run.failing:
        yield f"the bridge failed to act lately: {facts.run.last_fault}"


def _held_back(facts: Facts) -> Iterator[str]:
    if facts.held_back:
        yield f"the last check held back {facts.held_back} words, which is a defect: report it"


def _over(facts: Facts) -> Iterator[str]:
    if facts.over:
        yield "the desk took the stage past its margin, so nothing may rise there"


def _journal(facts: Facts) -> Iterator[str]:
    if facts.run.journal:
        yield f"the journal: {facts.run.journal}"


BECAUSE: tuple[_Because, ...] = (
    (DOWN, _console_link),
    (DOWN, _silence),
    (DOWN, _failing),
    (DEGRADED, _reading),
    (DEGRADED, _links),
    (DEGRADED, _troubled),
    (DEGRADED, _stalled),
    (DEGRADED, _failed),
    (DEGRADED, _held_back),
    (DEGRADED, _over),
    (DEGRADED, _journal),
)
"""Everything that makes a bridge less than ok, the worst first."""


def judged(facts: Facts) -> tuple[int, list[str]]:
    """How bad it is, and every reason in words."""
    found = [(grade, text) for grade, because in BECAUSE for text in because(facts)]
    return max((grade for grade, _ in found), default=OK), [text for _, text in found]


def status_line(facts: Facts) -> str:
    """How it is, in one line: what a service manager shows."""
    grade, reasons = judged(facts)
    up = sum(is_open for _, is_open in facts.buses)
    stands = f"console {facts.console}, {up} of {len(facts.buses)} buses open"
    return f"{GRADES[grade]}: {'; '.join([*reasons[:2], stands])}"


def document(facts: Facts) -> dict[str, Any]:
    """Health as JSON says it: no infinities, no secrets, no levels."""
    grade, reasons = judged(facts)
    run = facts.run
    return {
        "status": GRADES[grade],
        "reasons": reasons,
        "rig": facts.rig,
        "version": run.version,
        "since_unix_s": round(run.since_unix_s, 3),
        "up_s": round(run.up_s, 1),
        "returned": run.returned or None,
        "console": {
            "state": facts.console,
            "unanswered": facts.unanswered,
            "unconfirmed": facts.unsure,
            "told": facts.told,
            "desk_moves": facts.desk_moves,
        },
        "links": [
            {"name": one.name, "state": one.state, "received": one.received, "sent": one.sent,
             "dropped": one.dropped, "refused": one.refused}
            for one in facts.links
        ],
        "buses": {label: is_open for label, is_open in facts.buses},
        "silent": facts.silent,
        "wishes": facts.wishes,
        "unknown": facts.unknown,
        "malformed": facts.malformed,
        "floods": facts.troubled,
        "stalls": {"count": run.stalls, "longest_s": round(run.longest_stall_s, 3),
                   "asleep_s": round(run.asleep_s, 1)},
        "faults": {"count": run.faults, "last": run.last_fault or None},
        "memory_bytes": run.memory_bytes or None,
        "cpu_s": round(run.cpu_s, 2),
    }  # fmt: skip
