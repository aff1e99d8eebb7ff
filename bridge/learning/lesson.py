"""One lesson: what is heard and typed in, what to say out, an entry at the end. Pure.

watching --still, unsure--> asked for more --> watching
watching --still, sure enough--> what? where? how? --> trying --write--> writing --> done

A terminal types lines, a page picks by number; who drives it writes the file and says how it went.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from enum import Enum

from bridge.errors import Fault, MapError
from bridge.learning import texts
from bridge.learning.choosing import Choosing
from bridge.learning.entry import CHANGEABLE, Wish, advice, entry_keys, entry_text, read_setting
from bridge.learning.finding import Ask, Finding
from bridge.learning.guess import guess
from bridge.learning.known import Known
from bridge.learning.study import Study
from bridge.learning.trial import Trial
from bridge.learning.watch import Watch
from bridge.learning.writer import checked, with_entry
from bridge.maps.load import parse_map
from bridge.maps.model import MapFile
from bridge.rig.faults import shown

STILL_S = 1.2
"""A control that has said nothing new for so long has been let go."""

LONGEST_S = 20.0
"""A movement is over after this long even if something goes on moving."""

ASKS_MAX = 4
"""Most further movements that are asked for; then the person may choose."""


class Step(Enum):
    """Where a lesson stands."""

    WATCHING = "watching"
    CHOOSING = "choosing"
    TRYING = "trying"
    WRITING = "writing"
    DONE = "done"
    LEFT = "left"


class MapText:
    """The map that the entry is for.

    Attributes:
        text: The file's text as last read.
        where: The file, for faults.
    """

    def __init__(self, text: str, where: str) -> None:
        self.text, self.where = text, where

    def parsed(self) -> MapFile | None:
        """The map; None while it has no entry."""
        try:
            return parse_map(self.text, self.where)
        except MapError:
            return None


class Lesson:
    """One control after another, until the person leaves.

    Args:
        study: The controller, and whose hands are on it.
        map_text: Its map.
        say: Takes a line for the person.

    Attributes:
        study: The controller, and whose hands are on it.
        step: Where it stands. In ``WRITING`` whoever drives it puts ``entry`` into the map's file
            and calls ``written`` or ``not_written``.
        asks: What the person should do at the control now.
        findings: What it may be.
        finding: What it is taken for.
        choosing: The questions about what it shall do.
        entry: The entry as it would be written; empty while there is none.
        remarks: What else there is to know now.
        does: What the control would do, as it was last moved; empty while that is not known.
    """

    def __init__(self, study: Study, map_text: MapText, say: Callable[[str], None]) -> None:
        self.study, self._map, self._say_one = study, map_text, say
        self.step = Step.WATCHING
        self.asks, self.entry, self.does = texts.MOVE, "", ""
        self.remarks: list[str] = []
        self.findings: tuple[Finding, ...] = ()
        self.finding: Finding | None = None
        self.choosing: Choosing | None = None
        self._watch = Watch(study.language)
        self._known = Known(study, map_text.parsed())
        self._began_s = math.inf
        self._asked: list[Ask] = []
        self._wish: Wish | None = None
        self._trial: Trial | None = None
        self._words: dict[str, Callable[[str], None]] = {
            "help": lambda _: self._say(texts.HELP),
            "is": self._is,
            "again": lambda _: self._again(),
            "back": lambda _: self._back(),
            "change": self._change,
            "entry": lambda _: self._show(),
            "write": lambda _: self._write(),
            "quit": lambda _: self._leave(),
        }

    def greet(self) -> None:
        """Say what this is."""
        study = self.study
        shared = [study.rig.file.controller[n].id for n in study.sharing()[1:]]
        self._say(texts.greeting(study.declared.id, study.person, shared))
        self._say([texts.MOVE])

    @property
    def heard(self) -> int:
        """How many messages of this control were kept."""
        return self._watch.heard

    @property
    def complete(self) -> bool:
        """There is an entry, and the map would be right with it."""
        return self.step is Step.TRYING and self._trial is not None

    def _say(self, lines: Iterable[str]) -> None:
        for line in lines:
            self._say_one(line)

    def _remark(self, lines: Iterable[str]) -> None:
        """Say something that is worth keeping in sight."""
        for line in lines:
            self.remarks.append(line)
            self._say_one(f"  {line}")

    # -- what comes in --------------------------------------------------------------------------

    def hear(self, data: bytes, now_s: float) -> None:
        """Take one message of the controller's.

        Args:
            data: A complete MIDI message, or a datagram.
            now_s: This moment, seconds.
        """
        if self.step is Step.WATCHING:
            before = self._watch.heard + self._watch.strange
            self._watch.hear(data, now_s)
            self._known.hear(data, now_s)
            if self._began_s == math.inf and self._watch.heard + self._watch.strange > before:
                self._began_s = now_s
        elif self._trial is not None:
            self._tell(self._trial.hear(data, now_s))

    def advance(self, now_s: float) -> None:
        """Time has passed: a movement may be over."""
        if self._trial is not None:
            self._tell(self._trial.advance(now_s))
        self._known.advance(now_s)
        if self.step is not Step.WATCHING or self._began_s == math.inf:
            return
        still = now_s - max(self._began_s, self._watch.moved_s()) >= STILL_S
        if still or now_s - self._began_s >= LONGEST_S:
            self._conclude()

    def _tell(self, lines: list[str]) -> None:
        """What the control would do."""
        if lines:
            self.does = lines[-1].strip()
            self._say(lines)

    def line(self, text: str) -> None:
        """Take a line that the person typed."""
        if self.step is Step.WRITING:
            return  # a moment: the disk has the word
        word, _, rest = text.strip().partition(" ")
        act = self._words.get(word.lower())
        if act is not None:
            act(rest.strip())
        elif self.step is Step.WATCHING:
            self._typed_while_watching(text.strip())
        elif self.step is Step.CHOOSING and self.choosing is not None:
            self.choosing.answer(text.strip())
            self._after_choice()
        else:
            self._say([f"{shown(text.strip())} is no word here; `help` lists them"])

    def pick(self, number: int, amount: float = math.nan) -> bool:
        """Take an answer to what is asked, by its number from 0.

        Args:
            number: Which.
            amount: dB or value, where the answer has one; NaN for the usual.

        Returns:
            Whether there is such an answer now.
        """
        choosing = self.choosing
        if self.step is not Step.CHOOSING or choosing is None:
            return False
        taken = choosing.pick(number, amount)
        if taken and choosing.wish is None:
            choosing.ask()
        self._after_choice()
        return taken

    def _typed_while_watching(self, text: str) -> None:
        if text:
            self._say([f"{shown(text)} is no word here; `help` lists them"])
        elif self._began_s < math.inf:
            self._conclude()
        elif self.findings:
            self._take(self.findings[0])
        else:
            self._say(["Nothing has been heard yet.", texts.MOVE])

    # -- what was moved -------------------------------------------------------------------------

    def _conclude(self) -> None:
        """A movement is over: say what it was, and ask for another one where that would help."""
        self._began_s = math.inf
        found = guess(self._watch)
        self.findings, self.remarks = found.findings, []
        self._remark(f"Heard as well: {note}." for note in found.notes)
        if not found.findings:
            self._remark(["That is no control that a map can describe."])
            self._say([texts.MOVE])
            self._watch.clear()
            self._known.clear()
            return
        self._say(texts.found(found.findings))
        self._remark(texts.known(self._known.told()))
        if found.ask is None or self._asked_enough(found.ask):
            self._take(found.findings[0])
            return
        self._asked.append(found.ask)
        self._watch.begin(found.ask.direction)
        self.asks = texts.further(found.ask)
        self._say([f"{self.asks} (Enter: it is the first.)"])

    def _asked_enough(self, ask: Ask) -> bool:
        again = self._asked.count(ask) >= (2 if ask in (Ask.FARTHER, Ask.AGAIN) else 1)
        return again or len(self._asked) >= ASKS_MAX

    def _is(self, number: str) -> None:
        """The person says which of the findings it is."""
        at = int(number) if number.isdecimal() and len(number) < 4 else 0
        if not 1 <= at <= len(self.findings):
            listed = f"1 to {len(self.findings)}" if self.findings else "a movement first"
            self._say([f"is: found {shown(number)}, expected {listed}"])
            return
        self._take(self.findings[at - 1])

    def _take(self, finding: Finding) -> None:
        """Go on with one finding."""
        self.finding = finding
        self._back()

    def _again(self) -> None:
        self._watch.clear()
        self._known = Known(self.study, self._map.parsed())
        self._asked.clear()
        self._began_s = math.inf
        self.findings, self.finding, self.remarks = (), None, []
        self.choosing = self._wish = self._trial = None
        self.asks, self.entry, self.does = texts.MOVE, "", ""
        self.step = Step.WATCHING
        self._say([texts.MOVE])

    def _leave(self) -> None:
        self.step = Step.LEFT

    # -- what it shall do -----------------------------------------------------------------------

    def _back(self) -> None:
        if self.finding is None:
            self._say(["Move a control first."])
            return
        self._trial = self._wish = None
        self.asks = self.entry = self.does = ""
        self.step = Step.CHOOSING
        self.choosing = Choosing(self.study, self.finding, self._say)
        self.choosing.ask()
        if not self.choosing.possible:
            self._say(["`again` for another control, or `is NUMBER` if it is something else."])

    def _after_choice(self) -> None:
        assert self.choosing is not None
        if self.choosing.wish is not None:
            self._wish = self.choosing.wish
            self._try()

    def _try(self) -> bool:
        """Show the entry, and try it if the map would be right with it."""
        assert self.finding is not None and self._wish is not None
        study, text = self.study, self._map.text
        keys = entry_keys(self.finding, self._wish, study, self._map.parsed())
        self.entry = entry_text(study.language, keys)
        self.step, self._trial, self.remarks = Step.TRYING, None, []
        self.asks = self.does = ""
        self._say(texts.shown(self.entry))
        new = with_entry(text, study.language, self.entry)
        try:
            self._trial = Trial(study, checked(text, new, self._map.where, study))
        except MapError as error:
            self._refuse("It cannot be written so:", error.faults)
            return False
        hint = advice(self.finding, keys)
        self._remark([hint] if hint else [])
        self.asks = texts.TRY
        self._say([texts.TRY])
        return True

    def _refuse(self, what: str, faults: Iterable[Fault]) -> None:
        self._say([what])
        self._remark(map(str, faults))

    def _change(self, text: str) -> None:
        """Set a key otherwise."""
        key, _, value = text.partition(" ")
        if self._wish is None or self.step is not Step.TRYING:
            self._say(["There is no entry to change yet."])
            return
        if key not in CHANGEABLE or not value.strip():
            self._say([f"change: found {shown(text)}, expected one of {', '.join(CHANGEABLE)} "
                       "and a value"])  # fmt: skip
            return
        before = self._wish
        setting = read_setting(value.strip())
        wish = Wish(before.parameter, before.spot, before.action, before.amount,
                    {**before.changes, key: setting})  # fmt: skip
        self._wish = wish
        if not self._try():
            self._wish = before
            self._say([f"{key} stays as it was."])
            self._try()

    def _show(self) -> None:
        if self._wish is None:
            self._say(["There is no entry yet."])
        else:
            self._try()

    def _write(self) -> None:
        if self.complete:
            self.step = Step.WRITING
        else:
            self._say(["There is no entry that could be written."])

    def written(self, where: str, then: str = texts.NEXT) -> None:
        """The entry is in the file.

        Args:
            where: File, line and key.
            then: From when on it is in force.
        """
        if self.step is Step.WRITING:  # else the person has left meanwhile
            self.step, self.remarks, self.asks = Step.DONE, [], ""
        self._remark([f"Written to {where}."])
        self._say([then])

    def not_written(self, faults: Iterable[Fault]) -> None:
        """It is not, and why."""
        if self.step is Step.WRITING:
            self.step, self.remarks = Step.TRYING, []
        self._refuse("Not written:", faults)
