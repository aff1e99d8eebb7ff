"""What a recording looks like: one JSON object a line, the first one the header. Pure.

Each line has ``what`` and ``at`` (seconds, never running backwards), and

    header   the rig facts that are needed to judge, see ``Facts``
    told     slot, value, and where known seq (order of sending) and sent (when it was sent, s)
    lost     the same, for a word that the network ate: it went out, but never arrived
    packet   bytes, messages, and where known sent: what the link carried, lost packets included
    desk     slot, value: the desk's own doing; hidden is true when the bridge cannot learn of it,
             restart when nobody's hand did it
    note     note, one of ``NOTES``, with bus or slots where it is about some only
    settled  values: slot to value that the console must hold at this moment

Off is written "off", since JSON has no infinity.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from bridge.rig.layout import Layout
from bridge.simulator.stage_facts import StageFacts, stage_of, words_of
from bridge.units import OFF

VERSION = 1
NOTES = {
    "start": "a bridge starts cold: the order at start is judged from here",
    "warm start": "a bridge starts and takes over from what was before",
    "restart": "fault: the console starts again with levels of its own",
    "stood still": "the bridge had no turn for some time, which ends here",
    "lost": "fault: the link is lost for longer than the bridge needs to see it",
    "crash": "fault: the bridge stops without a word",
    "damaged": "fault: a file of the bridge was damaged",
    "person": "somebody, or a declared rule, asks for levels again; slots when only for some",
    "allowed_open": "the engineer opens a bus; all when no bus is given",
    "silent": "the console does not answer",
    "answers": "the console answers again",
    "lift": "the feedback ceiling of one send is lifted for a soundcheck; of none without a slot",
    "marks": "ring marks come into force: levels, send slot to the level that rang alone, dB",
    "cut": "the recording ends here though the run went on: it was full",
}
"""What a note may say."""
STAGE_NOTES = frozenset({"lift", "marks"})
FAULTS = frozenset({"restart", "lost", "crash", "damaged"})
NEEDS: dict[str, tuple[str, ...]] = {
    "told": ("slot", "value"),
    "lost": ("slot", "value"),
    "packet": ("bytes", "messages"),
    "desk": ("slot", "value"),
    "note": ("note",),
    "settled": ("values",),
}
"""What a line must say, the header aside."""

SLOTS_MAX = 2_000_000
"""Longest run of slots: seven values a cell of 512 channels in 128 buses are fewer."""

Line = Mapping[str, Any]


class RecordingError(ValueError):
    """A line that no recorder wrote.

    Attributes:
        line: Its number, from 1.
    """

    def __init__(self, line: int, found: str, expected: str) -> None:
        self.line = line
        super().__init__(f"recording line {line}: found {found}, expected {expected}")


def word_of(value: float) -> float | str:
    """A value as it stands in a line."""
    if math.isfinite(value):
        return value
    return "off" if value == OFF else str(value)


def value_of(word: object) -> float:
    """A value from a line; what is no number is NaN, which no limit permits."""
    if isinstance(word, bool) or not isinstance(word, int | float | str):
        return math.nan
    if word == "off":
        return OFF
    try:
        return float(word)
    except (ValueError, OverflowError):
        return math.nan


@dataclass(frozen=True, slots=True)
class Facts:
    """What must be known of rig and console to judge a recording; levels in dB, times in s.

    Attributes:
        layout: The numbering of the slots.
        values: What the console held when the recording began, a value a slot.
        can_set: Slots that the bridge can set.
        can_read: Slots that the bridge can learn from the console.
        send_ceiling_db: Highest send, a bus.
        master_ceiling_db: Highest master, a bus.
        start_db: Highest level of a master's first word, a bus.
        rise_db_per_s: Fastest rise, a bus.
        step_db: Rise at once, a bus.
        auto_open: Whether it opens by itself, a bus.
        fader_ceiling_db: Highest channel fader.
        fader_rise_db_per_s: Fastest rise of a channel fader.
        fader_step_db: Rise at once of a channel fader.
        ramp_floor_db: Below this all levels are one.
        mute_cuts: Which taps a channel mute cuts.
        scales: The levels that coarse controls can hold, rising.
        scale_of: Slot to the number of its scale; slots without one are fine.
        delay_s: Longest time that a word is under way.
        news_s: Longest time until the bridge knows what the desk did or that a fault happened.
        repair_s: Longest time until the bridge puts right what an overtaken word left behind.
        bytes_per_s: Budget of the link; ``inf`` is none.
        messages_per_s: Budget of the link; ``inf`` is none.
        burst_s: How much of the budget may go out at once, as time.
        cold: The recording begins with a bridge that starts cold.
        stage: What of the stage is judged; None where none is declared.
    """

    layout: Layout
    values: tuple[float, ...]
    can_set: frozenset[int]
    can_read: frozenset[int]
    send_ceiling_db: tuple[float, ...]
    master_ceiling_db: tuple[float, ...]
    start_db: tuple[float, ...]
    rise_db_per_s: tuple[float, ...]
    step_db: tuple[float, ...]
    auto_open: tuple[bool, ...]
    fader_ceiling_db: float = 10.0
    fader_rise_db_per_s: float = 6.0
    fader_step_db: float = 1.0
    ramp_floor_db: float = -60.0
    mute_cuts: frozenset[str] = frozenset({"post"})
    scales: tuple[tuple[float, ...], ...] = ()
    scale_of: Mapping[int, int] = field(default_factory=dict)
    delay_s: float = 0.0
    news_s: float = 0.0
    repair_s: float = 5.0
    bytes_per_s: float = math.inf
    messages_per_s: float = math.inf
    burst_s: float = 0.1
    cold: bool = True
    stage: StageFacts | None = None


_PER_BUS = ("send_ceiling_db", "master_ceiling_db", "start_db", "rise_db_per_s", "step_db")
_PLAIN = ("fader_ceiling_db", "fader_rise_db_per_s", "fader_step_db", "ramp_floor_db", "delay_s",
          "news_s", "repair_s", "bytes_per_s", "messages_per_s", "burst_s")  # fmt: skip


def header_of(facts: Facts, at_s: float = 0.0) -> dict[str, Any]:
    """The first line of a recording."""
    layout = facts.layout
    line: dict[str, Any] = {
        "what": "header", "at": at_s, "version": VERSION,
        "channels": layout.channels, "buses": layout.buses,
        "performers": layout.performers, "groups": layout.groups,
        "presets": layout.presets,
        "values": [word_of(value) for value in facts.values],
        "can_set": runs(facts.can_set), "can_read": runs(facts.can_read),
        "auto_open": facts.auto_open, "cold": facts.cold, "mute_cuts": sorted(facts.mute_cuts),
        "scales": [[word_of(level) for level in scale] for scale in facts.scales],
        "scale_of": {str(slot): scale for slot, scale in facts.scale_of.items()},
    }  # fmt: skip
    line.update({name: [word_of(x) for x in getattr(facts, name)] for name in _PER_BUS})
    line.update({name: word_of(getattr(facts, name)) for name in _PLAIN})
    if facts.stage is not None:
        line["stage"] = words_of(facts.stage)
    return line


def facts_of(line: Line, number: int = 1) -> Facts:
    """The rig facts that a header line holds.

    Raises:
        RecordingError: the line is no header, or a part is missing or wrong.
    """
    if line.get("what") != "header" or line.get("version") != VERSION:
        found = f"{line.get('what')!r}, version {line.get('version')!r}"
        raise RecordingError(number, found, f"a header, version {VERSION}")
    try:
        facts = _facts(line)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as problem:
        raise RecordingError(number, f"a header with {problem!r}", "all rig facts") from None
    buses = len(facts.layout.buses)
    counted = (*(len(getattr(facts, name)) for name in _PER_BUS), len(facts.auto_open))
    if len(facts.values) != facts.layout.size or any(count != buses for count in counted):
        found = f"{len(facts.values)} values and limits for {min(counted)} buses"
        raise RecordingError(number, found, f"{facts.layout.size} values and {buses} buses")
    slots = facts.can_set | facts.can_read | facts.scale_of.keys()
    strange = [slot for slot in slots if not 0 <= slot < facts.layout.size]
    strange += [scale for scale in facts.scale_of.values() if not 0 <= scale < len(facts.scales)]
    if strange or not math.isfinite(value_of(line.get("at"))):
        found = f"slots or scales as {min(strange, default=0)}, at {line.get('at')!r}"
        raise RecordingError(number, found, "slots and scales that there are, and a time")
    return facts


def _facts(line: Line) -> Facts:
    names = (line["channels"], line["buses"], line["performers"], line["groups"],
             line.get("presets", ()))  # fmt: skip
    per_bus: dict[str, Any] = {
        name: tuple(value_of(word) for word in line[name]) for name in _PER_BUS
    }
    plain: dict[str, Any] = {name: value_of(line[name]) for name in _PLAIN}
    shape = len(line["channels"]), len(line["buses"])
    stage = line.get("stage")
    return Facts(
        layout=Layout(*(tuple(str(name) for name in part) for part in names)),
        values=tuple(value_of(word) for word in line["values"]),
        can_set=unrolled(line["can_set"]),
        can_read=unrolled(line["can_read"]),
        auto_open=tuple(bool(flag) for flag in line["auto_open"]),
        cold=bool(line["cold"]),
        mute_cuts=frozenset(line["mute_cuts"]),
        scales=tuple(tuple(value_of(word) for word in scale) for scale in line["scales"]),
        scale_of={int(slot): int(scale) for slot, scale in line["scale_of"].items()},
        stage=None if stage is None else stage_of(stage, shape),
        **per_bus,
        **plain,
    )


def runs(slots: Iterable[int]) -> list[list[int]]:
    """Slots as runs ``[first, last]``: a large console has tens of thousands."""
    out: list[list[int]] = []
    for slot in sorted(slots):
        if out and out[-1][1] == slot - 1:
            out[-1][1] = slot
        else:
            out.append([slot, slot])
    return out


def unrolled(pairs: Iterable[Iterable[int]]) -> frozenset[int]:
    """The slots of such runs.

    Raises:
        ValueError: a run of more slots than any rig has.
    """
    slots: set[int] = set()
    for first, last in pairs:
        if not last - first <= SLOTS_MAX:
            raise ValueError(f"a run of {last - first + 1} slots")
        slots.update(range(first, last + 1))
    return frozenset(slots)


def text_of(line: Line) -> str:
    """A line as text, with its line end."""
    return json.dumps(line, separators=(",", ":"), allow_nan=False) + "\n"


def told(at_s: float, slot: int, value: float, seq: int | None = None,
         sent_s: float | None = None) -> dict[str, Any]:  # fmt: skip
    """The line for a word that arrived."""
    line: dict[str, Any] = {"what": "told", "at": at_s, "slot": slot, "value": word_of(value)}
    if seq is not None:
        line["seq"] = seq
    if sent_s is not None:
        line["sent"] = sent_s
    return line


def lost(at_s: float, slot: int, value: float, seq: int, sent_s: float) -> dict[str, Any]:
    """The line for a word that the network ate."""
    return {**told(at_s, slot, value, seq, sent_s), "what": "lost"}


def packet(
    at_s: float, size: int, messages: int = 1, sent_s: float | None = None
) -> dict[str, Any]:
    """The line for what the link carried: bytes and messages."""
    line: dict[str, Any] = {"what": "packet", "at": at_s, "bytes": size, "messages": messages}
    if sent_s is not None:
        line["sent"] = sent_s
    return line


def desk(
    at_s: float, slot: int, value: float, *, hidden: bool = False, restart: bool = False
) -> dict[str, Any]:
    """The line for the desk's own doing."""
    line: dict[str, Any] = {"what": "desk", "at": at_s, "slot": slot, "value": word_of(value)}
    if hidden:
        line["hidden"] = True
    if restart:
        line["restart"] = True
    return line


def note(at_s: float, text: str, **about: Any) -> dict[str, Any]:
    """The line for a note.

    Raises:
        ValueError: the note is none of ``NOTES``.
    """
    if text not in NOTES:
        raise ValueError(f"note: found {text!r}, expected one of {', '.join(NOTES)}")
    return {"what": "note", "at": at_s, "note": text, **about}


def settled(at_s: float, values: Mapping[int, float]) -> dict[str, Any]:
    """The line for what the console must hold now."""
    words = {str(slot): word_of(value) for slot, value in values.items()}
    return {"what": "settled", "at": at_s, "values": words}


def lines_of(texts: Iterable[str]) -> Iterator[Line]:
    """The lines of a recording; one that a power cut tore off at the very end is left out.

    Raises:
        RecordingError: a line that is no JSON object.
    """
    torn: RecordingError | None = None
    for number, text in enumerate(texts, 1):
        if torn is not None:
            raise torn
        try:
            line = json.loads(text)
        except (ValueError, RecursionError):
            line = None
        if isinstance(line, dict):
            yield line
        else:
            torn = RecordingError(number, repr(text[:40]), "a JSON object")
            if text.endswith("\n"):
                raise torn
