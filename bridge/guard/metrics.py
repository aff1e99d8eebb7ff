"""A running bridge in numbers, as OpenMetrics text 1.0. Pure.

The format: OpenMetrics 1.0, "Text format". A family is its type, unit and help, then its samples;
a counter's sample ends in ``_total``, an info's in ``_info``, a histogram's in ``_bucket``,
``_count`` and ``_sum``; the text ends with ``# EOF``. Labels
are the rig's own names, so there are never more series than the rig declares.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

from bridge.guard.facts import Facts, LinkFacts
from bridge.guard.health import GRADES, judged
from bridge.guard.stall import LATE_S

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"

PREFIX = "foldbridge"
CONSOLE_STATES = ("reading", "live", "lost")
LINK_STATES = ("closed", "opening", "open", "lost")

_Labels = tuple[tuple[str, str], ...]


class Sample(NamedTuple):
    """One figure: its labels, its value, and the end of its name where the type has several."""

    labels: _Labels
    value: float
    end: str = ""


_Samples = Iterable[Sample]


class Family(NamedTuple):
    """One family of figures.

    Attributes:
        name: Without the prefix; ends in the unit where there is one.
        type: ``counter``, ``gauge``, ``histogram``, ``info`` or ``stateset``.
        unit: ``seconds``, ``bytes`` or empty.
        help: What it counts.
        samples: The figures of a moment, with their labels.
    """

    name: str
    type: str
    unit: str
    help: str
    samples: Callable[[Facts], _Samples]


def _one(value: Callable[[Facts], float]) -> Callable[[Facts], _Samples]:
    """A family of a single figure."""
    return lambda facts: [Sample((), value(facts))]


def _by_name(values: Callable[[Facts], dict[str, int]], label: str) -> Callable[[Facts], _Samples]:
    """A figure for each of several names."""
    return lambda facts: [Sample(((label, name),), n) for name, n in values(facts).items()]


def _of_links(value: Callable[[LinkFacts], int]) -> Callable[[Facts], _Samples]:
    """A figure a link."""
    return lambda facts: [Sample((("link", one.name),), value(one)) for one in facts.links]


def _state(
    name: str, states: tuple[str, ...], found: str, labels: _Labels = ()
) -> Iterator[Sample]:
    """A state as a set of which one is on (OpenMetrics 1.0, "StateSet")."""
    for state in states:
        yield Sample((*labels, (f"{PREFIX}_{name}", state)), float(state == found))


def _link_states(facts: Facts) -> _Samples:
    for link in facts.links:
        yield from _state("link_state", LINK_STATES, link.state, (("link", link.name),))


def _late(facts: Facts) -> _Samples:
    """Late turns, each class with all below it (OpenMetrics 1.0, "Histogram")."""
    counts = list(itertools.accumulate(facts.run.late))
    for bound_s, count in zip(LATE_S, counts, strict=True):
        yield Sample((("le", "+Inf" if bound_s == math.inf else repr(bound_s)),), count, "_bucket")
    yield Sample((), counts[-1], "_count")
    yield Sample((), facts.run.late_sum_s, "_sum")


FAMILIES: tuple[Family, ...] = (
    Family("build", "info", "", "Version of the bridge and name of its rig.",
           lambda f: [Sample((("version", f.run.version), ("rig", f.rig)), 1.0)]),
    Family("health", "stateset", "", "How the bridge is.",
           lambda f: _state("health", GRADES, GRADES[judged(f)[0]])),
    Family("start_time_seconds", "gauge", "seconds", "When it started, Unix time.",
           _one(lambda f: f.run.since_unix_s)),
    Family("console_state", "stateset", "", "Whether the console answers.",
           lambda f: _state("console_state", CONSOLE_STATES, f.console)),
    Family("console_messages", "counter", "", "Messages told to the console.",
           _one(lambda f: f.told)),
    Family("console_unconfirmed", "gauge", "", "Words that the console is not known to have.",
           _one(lambda f: f.unsure)),
    Family("console_unanswered", "gauge", "", "Questions that the console has not answered.",
           _one(lambda f: f.unanswered)),
    Family("desk_moves", "counter", "", "Moves of the desk's own.", _one(lambda f: f.desk_moves)),
    Family("link_state", "stateset", "", "State of each link.", _link_states),
    Family("link_received", "counter", "", "Messages heard.", _of_links(lambda one: one.received)),
    Family("link_sent", "counter", "", "Messages taken by the link.",
           _of_links(lambda one: one.sent)),
    Family("link_dropped", "counter", "", "Messages that did not get through.",
           _of_links(lambda one: one.dropped)),
    Family("link_refused", "counter", "", "Messages of strangers, and broken framing.",
           _of_links(lambda one: one.refused)),
    Family("wishes", "counter", "", "Wishes by what became of them.",
           _by_name(lambda f: f.wishes, "outcome")),
    Family("unknown_messages", "counter", "", "Messages that mean nothing in their map.",
           _by_name(lambda f: f.unknown, "source")),
    Family("malformed_bundles", "counter", "", "OSC bundles that were none.",
           _one(lambda f: f.malformed)),
    Family("held_back_words", "counter", "", "Words that the last check held back; a defect.",
           _one(lambda f: f.held_back)),
    Family("buses_open", "gauge", "", "Buses that are open.",
           _one(lambda f: sum(is_open for _, is_open in f.buses))),
    Family("buses", "gauge", "", "Buses of the rig.", _one(lambda f: len(f.buses))),
    Family("silent", "gauge", "", "1 while everything is silenced.", _one(lambda f: f.silent)),
    Family("troubled_controllers", "gauge", "", "Controllers that flood or stick now.",
           _one(lambda f: len(f.troubled))),
    Family("floods", "counter", "", "Floods and stuck controls so far.",
           _one(lambda f: f.run.floods)),
    Family("thinned_values", "counter", "", "Values that went no further because of them.",
           _one(lambda f: f.run.thinned)),
    Family("stalls", "counter", "", "How often the loop stood still.",
           _one(lambda f: f.run.stalls)),
    Family("longest_stall_seconds", "gauge", "seconds", "The longest of these times.",
           _one(lambda f: f.run.longest_stall_s)),
    Family("loop_late_seconds", "histogram", "seconds",
           "How late the loop turned, asked ten times a second.", _late),
    Family("asleep_seconds", "counter", "seconds", "Time that the machine slept.",
           _one(lambda f: f.run.asleep_s)),
    Family("faults", "counter", "", "How often the bridge failed to act.",
           _one(lambda f: f.run.faults)),
    Family("memory_bytes", "gauge", "bytes", "Memory in use.", _one(lambda f: f.run.memory_bytes)),
    Family("cpu_seconds", "counter", "seconds", "Processor time used.",
           _one(lambda f: f.run.cpu_s)),
)  # fmt: skip
"""Every figure, in the order of the text."""

_SUFFIX = {"counter": "_total", "info": "_info", "gauge": "", "stateset": "",
           "histogram": ""}  # fmt: skip


def escaped(text: str) -> str:
    """A label's value as the text has it: backslash, quote and line feed are marked."""
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")


def _number(value: float) -> str:
    return str(int(value)) if float(value).is_integer() else repr(float(value))


def _lines(family: Family, facts: Facts) -> Iterator[str]:
    name = f"{PREFIX}_{family.name}"
    yield f"# TYPE {name} {family.type}"
    if family.unit:
        yield f"# UNIT {name} {family.unit}"
    yield f"# HELP {name} {family.help}"
    for sample in family.samples(facts):
        inside = ",".join(f'{label}="{escaped(text)}"' for label, text in sample.labels)
        shown = f"{{{inside}}}" if inside else ""
        yield f"{name}{_SUFFIX[family.type]}{sample.end}{shown} {_number(sample.value)}"


def text(facts: Facts) -> str:
    """All figures of a moment."""
    lines = [line for family in FAMILIES for line in _lines(family, facts)]
    return "\n".join([*lines, "# EOF", ""])
