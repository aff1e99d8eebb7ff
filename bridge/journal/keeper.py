"""The journal of a running bridge: its parts together, found at start and kept up to date. I/O."""

from __future__ import annotations

import contextlib
import hashlib
import logging
import math
import os
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

from bridge.console.kept import COLD, Hands, Kept, Returned
from bridge.journal import form, people, resuming, returning
from bridge.journal.copies import NAMES, Copies, read_newest
from bridge.journal.folding import Folder
from bridge.journal.form import Past, Shape, Unusable
from bridge.journal.history import History
from bridge.journal.ledger import Busy, Ledger, memory_folder
from bridge.journal.returning import Found
from bridge.maps.console import ConsoleWords
from bridge.mix.engine import Engine
from bridge.mix.matrix import RUNNING, Matrix
from bridge.mix.people import Request
from bridge.rig.journal import Journal as Settings
from bridge.rig.rig import Rig

log = logging.getLogger("foldbridge")

NO_BOOT = bytes(16)
"""Stands for a machine that does not tell its runs apart."""


def boot_of_machine() -> bytes:
    """16 bytes that are others after each start of the machine (Linux, random(4), ``boot_id``)."""
    try:
        text = Path("/proc/sys/kernel/random/boot_id").read_text().strip()
        return bytes.fromhex(text.replace("-", ""))
    except (OSError, ValueError):
        return NO_BOOT


def since_boot_s() -> float:
    """Seconds since the machine started, its sleep included where the system counts it."""
    return time.clock_gettime(getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC))


def folder_of(rig: Rig, settings: Settings) -> Path:
    """The journal's folder."""
    here = Path(rig.where)
    if settings.directory is not None:
        return here.parent / settings.directory
    return here.with_name(f"{here.name.removesuffix('.toml')}.journal")


def memory_path(rig: Rig, settings: Settings) -> Path | None:
    """The file in memory; None where the machine has no folder that is memory."""
    declared = None if settings.memory is None else Path(rig.where).parent / settings.memory
    folder = memory_folder(declared)
    if folder is None:
        return None
    where = hashlib.blake2b(str(folder_of(rig, settings).resolve()).encode(), digest_size=8)
    return folder / f"foldbridge-{os.geteuid()}-{where.hexdigest()}"


class Keeper:
    """Keeps what one bridge tells the console and is told by people.

    Args:
        rig: What was declared.
        settings: Its ``[journal]``.
        keeps_levels: The console keeps its levels while the bridge is away.
        boot: The run of the machine.

    Attributes:
        kept: The levels as last told.
    """

    def __init__(
        self,
        rig: Rig,
        settings: Settings,
        *,
        keeps_levels: bool = False,
        boot: Callable[[], bytes] = boot_of_machine,
    ) -> None:
        self._rig, self._boot = rig, boot()
        self._terms = returning.Terms(settings.warm_within_s, keeps_levels)
        self._folder = folder_of(rig, settings)
        self._states: dict[str, str] = {}
        self._lock = threading.Lock()
        self._mark = form.mark_of(rig)
        self._ledger, self._mine = self._open_ledger(memory_path(rig, settings))
        self.kept: Kept = self._ledger.kept
        self._after = (0, NAMES[1])
        self._found: Found | None = None
        self._copies: Copies | None = None
        self._history = History(self._folder, rig, self._said)
        self._folds = Folder()
        self._begun = self._stands = False
        self._seen = 0
        self._changes, self._silenced = -1, b""
        self._requests: list[Request] = []
        self._unix_of_zero_s = 0.0
        self._engine: Engine
        self._hands: Hands

    def _open_ledger(self, path: Path | None) -> tuple[Ledger, bool]:
        """The image in memory that outlives the process, or one that does not."""
        slots = self._rig.layout.size
        try:
            ledger = Ledger(path, slots)
        except Busy:
            self._said("levels", "not kept: another bridge keeps this journal")
            return Ledger(None, slots), False
        except OSError as problem:
            self._said("levels", f"not kept in memory: {path}: {problem.strerror or problem}")
            return Ledger(None, slots), True
        if path is None:
            self._said("levels", "not kept in memory: this machine has no folder for that")
        else:
            self._said("levels", "kept")
        return ledger, True

    def _said(self, part: str, text: str) -> None:
        """Hear how a part stands, from any thread; what is new is told once."""
        with self._lock:
            before, self._states[part] = self._states.get(part), text
        if before == text:
            return
        if text != "kept":
            log.warning("journal: %s: %s", part, text)
        elif before is not None:
            log.info("journal: %s: kept again", part)

    def state(self) -> dict[str, str]:
        """How each part stands: ``kept``, or why it is not."""
        with self._lock:
            states = dict(self._states)
        if lost := self._history.lost + self._folds.left_out:
            before = states.get("history", "not kept")
            states["history"] = f"{before}; {lost} gestures found no room"
        return states

    def start(self) -> None:
        """Begin to write what happens."""
        if self._mine:
            self._history.start()
        self._happened("start", self._rig.file.rig.name)

    def _happened(self, what: str, text: str) -> None:
        if self._mine:
            self._history.put((time.time(), what, text))

    def join(self, engine: Engine, hands: Hands) -> None:
        """Keep these levels and gestures from now on."""
        self._engine, self._hands = engine, hands
        self._found = self._look_back(engine.matrix)

    # -- coming back ----------------------------------------------------------------------------

    def _look_back(self, m: Matrix) -> Found:
        """What was kept: in memory by this run of the machine, else on the disk."""
        if not self._mine:
            return Found(None, "another bridge keeps this journal")
        try:
            sequence, image, name = read_newest(self._folder)
            self._after = sequence, name
        except Unusable as problem:
            image, nothing = b"", str(problem)
        memory = self._ledger.found
        try:
            note = form.note_in(memory, Shape(m.size)) if len(memory) >= form.HEADER_BYTES else b""
            past = form.read_image(memory, note, self._mark, m.kind)
            if past.boot == self._boot != NO_BOOT:
                return Found(past, "", exact=True)
        except Unusable as problem:
            if not image:
                return Found(None, str(problem) if memory else nothing)
        if not image:
            return Found(None, nothing)
        try:
            notes = Shape(m.size).notes
            return Found(form.read_image(image, image[notes:], self._mark, m.kind), "")
        except Unusable as problem:
            return Found(None, str(problem))

    def _age_s(self, past: Past) -> float:
        if past.boot == self._boot != NO_BOOT:
            return since_boot_s() - past.alive_boot_s
        return time.time() - past.alive_unix_s

    def begin(self, words: ConsoleWords, heard: Mapping[int, float], now_s: float) -> Returned:
        """The console is known for the first time: begin cold, or put back what was."""
        found, engine = self._found, self._engine
        assert found is not None, "join comes first"
        self._unix_of_zero_s = time.time() - now_s
        past = found.past
        asked = None
        if past is not None and heard:
            told, kinds = past.told, engine.matrix.kind
            asked = (
                returning.elsewhere(words, kinds, told, heard),
                returning.unread(words, told, heard),
            )
        age_s = 0.0 if past is None else self._age_s(past)
        way, reason = returning.way(found, self._terms, age_s, asked)
        self._ledger.begin(self._mark, self._boot)
        under_way: tuple[tuple[int, float], ...] = ()
        if past is not None and way != COLD:
            resuming.resume(engine, past, now_s)
            under_way = returning.under_way(past, words.can_set - heard.keys(), engine.matrix.kind)
        if past is not None:
            self._restore_people(past, cold=way == COLD)
        if way == COLD:
            engine.begin(heard, now_s)
        self._begin_keeping()
        log.info("came back %s: %s", way, reason)
        self._happened(f"came back {way}", reason)
        return Returned(way, reason, under_way)

    def _restore_people(self, past: Past, *, cold: bool) -> None:
        """What people have settled holds on whatever way: it makes nothing louder."""
        m = self._engine.matrix
        if cold:
            for slot in (*range(m.freeze, m.group), *range(m.hold, m.ask)):
                m.asked[slot] = float(past.asked[slot] == 1.0)
        people.restore_switches(self._engine)
        if wrong := people.restore(self._engine, past.note, self._unix_of_zero_s):
            log.warning("journal: %s", wrong)
        if cold:
            self._engine.gates.silenced[:] = bytes(m.buses)

    def _begin_keeping(self) -> None:
        self._begun = True
        self.whole()
        self._keep_people()
        if self._mine:
            self._ledger.alive(time.time(), since_boot_s())
            self._copies = Copies(
                self._folder, self._ledger.image, self._changed, self._said, after=self._after
            )
            self._copies.start()

    def _changed(self) -> bool:
        """For the thread that copies: whether to; and a sign of life, for whoever comes next."""
        self._ledger.alive(time.time(), since_boot_s())
        changed, self.kept.changed = self.kept.changed, False
        return changed

    # -- keeping --------------------------------------------------------------------------------

    def whole(self) -> None:
        """Many levels changed at once: keep all of them anew."""
        m = self._engine.matrix
        told = [m.told[slot] if m.can_set[slot] else math.nan for slot in range(m.size)]
        self._ledger.whole(told, m.asked)
        self._look_at_phase()

    def _look_at_phase(self) -> None:
        if not self._stands and self._begun and self._engine.phase == RUNNING:
            self._stands = True
            self._ledger.stands()

    def look(self, now_s: float) -> None:
        """Keep what has come since the last look."""
        if not self._begun:
            return
        news = self._engine.news
        if news:
            kept, asked = self._ledger.asked, self._engine.matrix.asked
            for slot in news:
                kept[slot] = asked[slot]
            self.kept.changed = True
        people_now = self._engine.people
        if (
            people_now.changes != self._changes
            or self._engine.gates.silenced != self._silenced
            or people_now.requests != self._requests
        ):
            self._keep_people()
        if not self._stands:
            self._look_at_phase()
        hands = self._hands
        count = hands.counts[0] + hands.counts[1] + hands.counts[2]
        if count != self._seen:
            self._note(count - self._seen)
            self._seen = count
        if self._folds.ready or self._unix_of_zero_s + now_s >= self._folds.due_s():
            self._hand_on(self._unix_of_zero_s + now_s)

    def _keep_people(self) -> None:
        engine = self._engine
        self._changes = engine.people.changes
        self._requests = list(engine.people.requests)
        self._silenced = bytes(engine.gates.silenced)
        if not self._ledger.note(people.note_of(engine, self._unix_of_zero_s)):
            self._said("people", "not kept: more ceilings are set live than there is room for")

    def _note(self, new: int) -> None:
        """Fold in the newest verdicts."""
        verdicts = self._hands.verdicts
        for place in range(-min(new, len(verdicts)), 0):
            at_s, through, verdict = verdicts[place]
            self._folds.note(through, verdict, self._unix_of_zero_s + at_s)

    def _hand_on(self, unix_s: float) -> None:
        self._folds.close(unix_s)
        for row in self._folds.ready if self._mine else ():
            self._history.put(row)
        self._folds.ready.clear()

    def next_wake_s(self) -> float:
        """When a second of gestures is over."""
        return self._folds.due_s() - self._unix_of_zero_s

    def close(self) -> None:
        """Write what is still to be written."""
        if self._begun:
            self.look(math.inf)
            if self._copies is not None:
                self._copies.close()
        self._happened("stop", self._rig.file.rig.name)
        self._history.close()
        self._ledger.close()


@contextlib.contextmanager
def kept(rig: Rig) -> Iterator[Keeper]:
    """The journal of a rig, while the context lasts; what cannot be kept is said in the log."""
    declared = rig.file
    keeper = Keeper(rig, declared.journal, keeps_levels=declared.console.keeps_levels)
    keeper.start()
    try:
        yield keeper
    finally:
        keeper.close()


def forget(rig: Rig) -> None:
    """Somebody else is about to speak to the console: what is kept is not how it stands after."""
    settings = rig.file.journal
    with contextlib.suppress(OSError, Busy):
        path = memory_path(rig, settings)
        if path is not None and path.exists():
            ledger = Ledger(path, rig.layout.size)
            ledger.begin(form.mark_of(rig), NO_BOOT)
            ledger.close()
    for name in NAMES:
        with contextlib.suppress(OSError):
            (folder_of(rig, settings) / name).unlink()
