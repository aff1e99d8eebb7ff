"""The witness: judges from a recording of what the console received, and nothing else. Pure.

It shares no rule with the bridge that it testifies about. Promises: ceiling, slew, order, settled,
budget, fault; they are explained where each is judged.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from operator import itemgetter
from typing import TYPE_CHECKING

from bridge.simulator.findings import BREACHES_KEPT, PROMISES, Breach, Findings
from bridge.simulator.held import FADER, LEVELS, MASTER, SEND, TAP, Held
from bridge.simulator.judge_budget import BudgetJudge
from bridge.simulator.judge_fault import FaultJudge
from bridge.simulator.judge_latest import ROUNDED_DB, LatestJudge
from bridge.simulator.judge_order import Breaks, OrderJudge
from bridge.simulator.judge_slew import SlewJudge, judged_sends
from bridge.simulator.recording import (
    FAULTS,
    NEEDS,
    NOTES,
    STAGE_NOTES,
    Facts,
    Line,
    RecordingError,
    facts_of,
    lines_of,
    value_of,
)
from bridge.simulator.scales import widest_step

if TYPE_CHECKING:
    from bridge.simulator.judge_feedback import StageJudge

CEILING_TOLERANCE_DB = 0.001
"""A float32 holds a level to 4e-6 dB; more than this is no rounding."""


class Witness:
    """Takes the lines of a recording one by one."""

    def __init__(self, header: Line, *, tolerance_db: float = 0.01) -> None:
        """Take the header.

        Args:
            header: The first line.
            tolerance_db: How much a level may be off where rounding explains it, dB.

        Raises:
            RecordingError: it is no header.
        """
        facts = self._facts = facts_of(header)
        at_s = self._start_s = self._at_s = value_of(header["at"])
        held = self._held = Held(facts)
        self._tolerance_db = tolerance_db
        self._size = facts.layout.size
        self._slew = SlewJudge(facts, held, tolerance_db, at_s)
        self._order = OrderJudge(facts, held, tolerance_db)
        self._fault = FaultJudge(facts, held, tolerance_db)
        self._latest = LatestJudge(facts, held)
        self._stage = _stage_judge(facts, held, at_s)
        bunched_s = facts.burst_s + facts.delay_s
        self._budgets = {
            True: [BudgetJudge("bytes", facts.bytes_per_s, facts.burst_s, at_s),
                   BudgetJudge("messages", facts.messages_per_s, facts.burst_s, at_s)],
            False: [BudgetJudge("bytes", facts.bytes_per_s, bunched_s, at_s),
                    BudgetJudge("messages", facts.messages_per_s, bunched_s, at_s)],
        }  # fmt: skip
        self._ceilings = self._all_ceilings()
        self._newest: dict[int, tuple[int, float]] = {}
        self._told: set[int] = set()
        self._breaches: list[Breach] = []
        self._counts: Counter[str] = Counter()
        self._lines, self._words, self._late, self._settled = 1, 0, 0, 0
        self._takes = {
            "told": self._take_told, "lost": self._take_lost, "packet": self._take_packet,
            "desk": self._take_desk, "note": self._take_note, "settled": self._take_settled,
        }  # fmt: skip
        if facts.cold:
            self._order.start()

    def _all_ceilings(self) -> list[float]:
        facts, held = self._facts, self._held
        ceilings = [float("inf")] * self._size
        for slot in held.level_slots:
            kind, bus = held.kind[slot], held.bus[slot]
            ceilings[slot] = {
                FADER: facts.fader_ceiling_db,
                SEND: facts.send_ceiling_db[bus],
                MASTER: facts.master_ceiling_db[bus],
            }[kind]
        return ceilings

    def _breach(self, promise: str, slot: int, text: str, at_s: float | None = None) -> None:
        self._counts[promise] += 1
        if len(self._breaches) < BREACHES_KEPT:
            name = self._facts.layout.name(slot) if slot >= 0 else "the whole"
            when_s = self._at_s if at_s is None else at_s
            self._breaches.append(Breach(promise, when_s, slot, name, text))

    def feed(self, line: Line) -> None:
        """Take the next line.

        Raises:
            RecordingError: a line that no recorder wrote, or that runs back in time.
        """
        self._lines += 1
        what = line.get("what", "")
        if not isinstance(what, str) or what not in NEEDS:
            raise RecordingError(self._lines, repr(what), f"one of {', '.join(NEEDS)}")
        for key in NEEDS[what]:
            if key not in line:
                raise RecordingError(self._lines, f"{what} without {key!r}", "this key")
        at_s = value_of(line.get("at"))
        if not at_s >= self._at_s:
            raise RecordingError(self._lines, f"at {at_s}", f"a time from {self._at_s} s on")
        self._at_s = at_s
        self._judge_order(self._order.passed(at_s))
        try:
            self._takes[what](line, at_s)
        except RecordingError:
            raise
        except (TypeError, ValueError, AttributeError, OverflowError) as problem:
            found = f"{what} with {problem}"
            raise RecordingError(self._lines, found, "values as a recorder writes them") from None

    def _slot(self, slot: object) -> int:
        if not isinstance(slot, int) or not 0 <= slot < self._size:
            expected = f"0..{self._size - 1}"
            raise RecordingError(self._lines, f"slot {slot!r}", expected)
        return slot

    def _judge_order(self, found: Iterable[Breaks]) -> None:
        for at_s, slot, text in found:
            self._breach("order", slot, text, at_s)

    def _take_lost(self, line: Line, at_s: float) -> None:
        slot = self._slot(line["slot"])
        self._judge_order(self._order.word(at_s, slot, value_of(line["value"]), line.get("seq")))

    def _take_told(self, line: Line, at_s: float) -> None:
        slot, value, seq = self._slot(line["slot"]), value_of(line.get("value")), line.get("seq")
        sent_s = line.get("sent", at_s)
        self._words += 1
        held_value, self._held.actual[slot] = self._held.actual[slot], value
        if not value <= self._ceilings[slot]:
            self._judge_ceiling(slot, value)
        self._judge_order(self._order.word(at_s, slot, value, seq))
        if seq is not None and self._overtaken(slot, seq, at_s):
            self._late += 1
            self._latest.late(slot, at_s, sent_s)
            return
        falls = value == held_value or (self._held.kind[slot] in LEVELS and value < held_value)
        no_rise = falls and self._latest.stale(slot, sent_s)
        self._judge_latest(slot)
        self._judge_word(slot, value, seq, sent_s, no_rise=no_rise)
        if self._stage is not None:
            for promise, text in self._stage.told(slot, at_s, sent_s):
                self._breach(promise, slot, text)

    def _judge_latest(self, slot: int) -> None:
        text = self._latest.news(slot, self._at_s)
        if text:
            self._breach("settled", slot, text)

    def _judge_ceiling(self, slot: int, value: float) -> None:
        if not value <= self._ceilings[slot] + CEILING_TOLERANCE_DB:
            text = f"told {value:.3f} dB, expected at most {self._ceilings[slot]:.3f} dB"
            self._breach("ceiling", slot, text)

    def _overtaken(self, slot: int, seq: int, at_s: float) -> bool:
        """Whether a word sent later about the same slot is here already, or this very one.

        A number that is lower for longer than packets can be late is a new sender's.
        """
        newest, newest_s = self._newest.get(slot, (-1, at_s))
        if seq <= newest and at_s - newest_s <= self._facts.delay_s:
            return True
        self._newest[slot] = (seq, at_s)
        return False

    def _judge_word(
        self, slot: int, value: float, seq: int | None, sent_s: float, *, no_rise: bool
    ) -> None:
        """Judge a word that is news, by what it changes of what is heard.

        ``no_rise``: an older word stood there, and what the console really held falls or stays.
        """
        held, at_s = self._held, self._at_s
        old_value = held.newest[slot]
        old_effective = self._effective(slot, sent_s)
        before = [(level, held.heard(level)) for level in held.behind(slot)]
        held.newest[slot] = value
        self._told.add(slot)
        if held.kind[slot] == TAP:
            self._judge_tap(slot, old_effective, sent_s)
            for level, heard in before:
                self._slew.follow(level, at_s, heard)
        for level, heard in before if held.kind[slot] != TAP else ():
            if no_rise:
                self._slew.stand(level, at_s)
            else:
                self._judge_slew(level, heard, sent_s, seq)
        if value > old_value:
            self._judge_effective(slot, sent_s)
        if self._fault.since is not None:
            for level, heard in before:
                text = self._fault.told(level, sent_s, own=level == slot, before_db=heard)
                if text:
                    self._breach("fault", level, text)

    def _judge_slew(self, level: int, before_db: float, sent_s: float, seq: int | None) -> None:
        over_db = self._slew.told(level, self._at_s, sent_s, before_db)
        after_db = self._held.heard(level)
        if over_db:
            text = f"rose from {before_db:.2f} to {after_db:.2f} dB, {over_db:.2f} dB too far"
            self._breach("slew", level, text)
        if self._held.kind[level] == MASTER and after_db > before_db:
            self._judge_order(self._order.opened(self._at_s, level, seq))

    def _fader(self, send: int, sent_s: float) -> float | None:
        """The channel fader as the bridge may know it; None when it cannot."""
        fader = self._held.fader_of(send)
        if fader not in self._facts.can_read and fader not in self._told:
            return None
        return self._slew.known_to_bridge(fader, sent_s, self._held.newest[fader])

    def _effective(self, slot: int, sent_s: float) -> float | None:
        """The effective level behind a tap; None for any other slot or an unknown fader."""
        if self._held.kind[slot] != TAP:
            return None
        send = self._held.send_of(slot)
        fader_db = self._fader(send, sent_s)
        return None if fader_db is None else self._held.effective(send, fader_db)

    def _judge_tap(self, slot: int, old_db: float | None, sent_s: float) -> None:
        """A tap that changes moves the level by the fader at once: that is a jump."""
        new_db = self._effective(slot, sent_s)
        if old_db is None or new_db is None:
            return
        step_db = self._slew.step_db(self._held.send_of(slot))
        if not new_db - old_db <= step_db + self._tolerance_db:
            text = f"changing it jumps from {old_db:.2f} to {new_db:.2f} dB, step is {step_db:g} dB"
            self._breach("slew", slot, text)

    def _judge_effective(self, slot: int, sent_s: float) -> None:
        """A word that raises a post-fader send, through its own level, its tap or its fader."""
        held = self._held
        for send in judged_sends(held, slot):
            fader_db = self._fader(send, sent_s)
            if fader_db is None:
                continue
            level_db = held.newest[send]
            if held.kind[slot] == FADER:
                level_db = self._slew.known_to_bridge(send, sent_s, level_db)
            ceiling_db = self._ceilings[send]
            if not level_db + fader_db <= ceiling_db + CEILING_TOLERANCE_DB:
                text = f"{level_db + fader_db:.3f} dB after the fader, expected {ceiling_db:.3f} dB"
                self._breach("ceiling", send, text)

    def _take_packet(self, line: Line, at_s: float) -> None:
        by_sender = "sent" in line
        sent_s = float(line["sent"]) if by_sender else at_s
        for budget, count in zip(
            self._budgets[by_sender], itemgetter("bytes", "messages")(line), strict=True
        ):
            text = budget.sent(sent_s, count)
            if text:
                self._breach("budget", -1, text)

    def _take_desk(self, line: Line, at_s: float) -> None:
        slot, value, held = self._slot(line["slot"]), value_of(line.get("value")), self._held
        self._judge_latest(slot)
        before = [(level, held.heard(level)) for level in held.behind(slot)]
        old_value = held.newest[slot]
        held.actual[slot] = held.newest[slot] = value
        hidden = bool(line.get("hidden"))
        if self._stage is not None:
            self._stage.desk(slot, at_s, old_value, hidden=hidden)
        for level, heard in before:
            self._slew.desk(level, at_s, heard, hidden=hidden)
            if not line.get("restart"):
                self._fault.desk(level)

    def _take_note(self, line: Line, at_s: float) -> None:
        text = line.get("note")
        if text not in NOTES:
            raise RecordingError(self._lines, f"note {text!r}", f"one of {', '.join(NOTES)}")
        if text in FAULTS:
            self._fault.happened(at_s)
            self._latest.fault(at_s)
        elif text == "stood still":
            self._latest.fault(at_s)
        elif text == "person":
            self._fault.asked(line.get("slots"))
        elif text == "allowed_open":
            self._order.allow(line.get("bus"))
        elif text == "start":
            self._order.start()
        elif text in STAGE_NOTES:
            if self._stage is not None:
                self._stage.note(line, at_s, self._lines)
        elif text == "cut":
            self._breach("recording", -1, "was full, and what came after it nobody saw")

    def _take_settled(self, line: Line, at_s: float) -> None:
        self._settled += 1
        wrong = dict(self._latest.settled())
        for key, word in line["values"].items():
            slot = self._slot(int(key) if key.isdecimal() else key)
            wanted, found = value_of(word), self._held.actual[slot]
            if not self._same(slot, wanted, found):
                wrong[slot] = f"holds {found:.3f}, expected {wanted:.3f}"
        for slot, text in wrong.items():
            self._breach("settled", slot, text)

    def _same(self, slot: int, wanted: float, found: float) -> bool:
        """Whether the console holds what it should; a coarse control may hold the step below."""
        if wanted == found or abs(wanted - found) <= max(self._tolerance_db, ROUNDED_DB):
            return True
        if self._held.kind[slot] not in LEVELS or not found <= wanted:
            return False
        number = self._facts.scale_of.get(slot)
        if number is None:
            return False
        return widest_step(self._facts.scales[number], found, wanted) == 0.0

    def findings(self) -> Findings:
        """What was found in the lines so far."""
        self._judge_order(self._order.passed(float("inf")))
        stage = self._stage
        if stage is not None:
            stage.ended(self._at_s)
        return Findings(
            breaches=tuple(sorted(self._breaches, key=lambda breach: breach.at_s)),
            counts={name: self._counts[name] for name in PROMISES if self._counts[name]},
            words=self._words,
            late=self._late,
            crossed=self._slew.crossed + (0 if stage is None else stage.crossed),
            rise_max_db=self._slew.rise_max_db,
            span_s=self._at_s - self._start_s,
            link_bytes=sum(budgets[0].total for budgets in self._budgets.values()),
            unsettled=self._settled == 0,
            past_s=0.0 if stage is None else stage.past_s,
            past_db=0.0 if stage is None else stage.past_db,
        )


def _stage_judge(facts: Facts, held: Held, at_s: float) -> StageJudge | None:
    """The judge of the stage; numpy is loaded only where there is one."""
    if facts.stage is None:
        return None
    from bridge.simulator.judge_feedback import StageJudge

    return StageJudge(facts, held, at_s)


def judge(lines: Iterable[Line], *, tolerance_db: float = 0.01) -> Findings:
    """Judge a recording, line by line; it may be of any length.

    Args:
        lines: The recording, the header first.
        tolerance_db: How much a level may be off where rounding explains it, dB.

    Raises:
        RecordingError: no header, or a line that no recorder wrote.
    """
    stream = iter(lines)
    header = next(stream, None)
    if header is None:
        raise RecordingError(1, "nothing", "a header")
    witness = Witness(header, tolerance_db=tolerance_db)
    for line in stream:
        witness.feed(line)
    return witness.findings()


def judge_text(texts: Iterable[str], *, tolerance_db: float = 0.01) -> Findings:
    """Judge the text lines of a recording, as ``judge``.

    Raises:
        RecordingError: as ``judge``, and a line that is no JSON.
    """
    return judge(lines_of(texts), tolerance_db=tolerance_db)
