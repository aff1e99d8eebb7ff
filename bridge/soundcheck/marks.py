"""Ring marks as text: read, checked, and changed without touching anything else. Pure.

    [[mark]]                          # this microphone alone in this mix rang
    channel = "voice"
    bus = "kit"
    level_db = -8.5                   # send, fader (if post) and master together
    frequency_hz = 2500.0             # when somebody knew it
    when = 2025-03-01T18:02:11Z
    by = "Ruth"

    [[clear]]                         # it stayed clear up to here
    channel = "voice"
    bus = "front"
    clear_to_db = 3.0
    ceiling_db = 3.0                  # of send and master together, at that time
    when = 2025-03-01T18:03:40Z
    by = "Ruth"

People edit the file too, so a change is a line added or replaced: comments and order stay. Every
change is read back before it counts.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import Annotated, Literal, TypeVar

from pydantic import Field, TypeAdapter, ValidationError

from bridge import limits
from bridge.errors import Fault, FileError
from bridge.rig.faults import faults_in, first_of, names_of, shown
from bridge.rig.fields import Name, Table
from bridge.rig.rig import Rig
from bridge.rig.toml import line_of, place, read_toml
from bridge.stage.rings import RingMark

MARKS_MAX = 4096
"""Most marks, and most clear notes, of a file: 32 microphones and 16 mixes have 512 pairs, so eight
whole soundchecks are kept; more would not fit the largest file."""

LEVEL_DB_MIN, LEVEL_DB_MAX = -150.0, 60.0
"""Effective levels that a console can have, dB: three faders at their ends together, and spare."""

HEARD_HZ_MIN, HEARD_HZ_MAX = 20.0, 20_000.0
"""Frequencies that a person hears, Hz."""

Level = Annotated[float, Field(ge=LEVEL_DB_MIN, le=LEVEL_DB_MAX, allow_inf_nan=False)]
Frequency = Annotated[float, Field(ge=HEARD_HZ_MIN, le=HEARD_HZ_MAX, allow_inf_nan=False)]
Pair = tuple[str, str]
"""Ids of a channel and a bus."""


class MarksError(FileError):
    """A marks file says something that cannot be, or cannot be read or written."""


class _Tested(Table):
    channel: str = Field(description="Id of the channel.")
    bus: str = Field(description="Id of the bus.")
    when: datetime | date = Field(description="When it was tested, a TOML date or date-time.")
    by: Name = Field(description="Who listened.")

    @property
    def pair(self) -> Pair:
        """Ids of the channel and the bus."""
        return self.channel, self.bus

    @property
    def moment(self) -> datetime:
        """When it was tested, to compare; without a zone it counts as UTC."""
        if not isinstance(self.when, datetime):
            return datetime.combine(self.when, time(), UTC)
        return self.when if self.when.tzinfo else self.when.replace(tzinfo=UTC)


class Mark(_Tested):
    """`[[mark]]`: this channel alone in this bus rang."""

    level_db: Level = Field(description="Effective level at which it rang, dB.")
    frequency_hz: Frequency | None = Field(None, description="Where it rang, Hz, when known.")
    withdrawn: bool = Field(False, description="No longer in force; kept as history.")


class Clear(_Tested):
    """`[[clear]]`: this channel alone in this bus stayed clear."""

    clear_to_db: Level = Field(description="Effective level up to which nothing rang, dB.")
    ceiling_db: Level | None = Field(
        None, description="Ceilings of send and master together at that time, dB."
    )

    @property
    def proven_db(self) -> float:
        """Ceilings under which the pair needs no further test, dB."""
        return self.clear_to_db if self.ceiling_db is None else self.ceiling_db


_T = TypeVar("_T", bound=_Tested)


class _MarksFile(Table):
    mark: list[Mark] = Field(default_factory=list, max_length=MARKS_MAX)
    clear: list[Clear] = Field(default_factory=list, max_length=MARKS_MAX)


@dataclass(frozen=True, slots=True)
class Book:
    """A marks file that has been checked.

    Attributes:
        where: The file's path, for faults.
        text: What stands in it.
        marks: Its marks in the order of the file, withdrawn ones too.
        clears: Its clear notes in the order of the file.
    """

    where: str
    text: str = ""
    marks: tuple[Mark, ...] = ()
    clears: tuple[Clear, ...] = ()

    def in_force(self) -> dict[Pair, Mark]:
        """The mark that binds each pair: the newest that was not withdrawn."""
        return _newest(mark for mark in self.marks if not mark.withdrawn)

    def clear(self) -> dict[Pair, Clear]:
        """The newest clear note of each pair, unless it has rung since."""
        rang = _newest(self.marks)
        return {
            pair: clear
            for pair, clear in _newest(self.clears).items()
            if pair not in rang or rang[pair].moment < clear.moment
        }


def _newest(tested: Iterable[_T]) -> dict[Pair, _T]:
    """The newest of each pair; of equally old ones the later in the file."""
    found: dict[Pair, _T] = {}
    for one in tested:
        before = found.get(one.pair)
        if before is None or before.moment <= one.moment:
            found[one.pair] = one
    return found


def parse_marks(text: str, where: str, rig: Rig | None = None) -> Book:
    """Check the text of a marks file.

    Args:
        text: TOML.
        where: The file's path, for faults.
        rig: The rig whose channels and buses it may name; None: any.

    Raises:
        MarksError: all faults together, each with file, line, key path, found and expected.
    """
    table = read_toml(text, where, MarksError)
    try:
        file = _MarksFile.model_validate(table)
    except ValidationError as problem:
        raise MarksError(first_of(faults_in(problem, table, text, where), where)) from None
    book = Book(where, text, tuple(file.mark), tuple(file.clear))
    if rig is not None and (faults := strangers(book, rig)):
        raise MarksError(first_of(faults, where))
    return book


def strangers(book: Book, rig: Rig) -> list[Fault]:
    """Channels and buses that a rig does not have."""
    known: Mapping[str, tuple[str, ...]] = {
        "channel": rig.layout.channels,
        "bus": rig.layout.buses,
    }
    return [
        Fault(place(book.text, book.where, (kind, i, key)), shown(name), names_of(known[key]))
        for kind, tables in (("mark", book.marks), ("clear", book.clears))
        for i, one in enumerate(tables)
        for key, name in zip(("channel", "bus"), one.pair, strict=True)
        if name not in known[key]
    ]


def ring_marks(book: Book, rig: Rig) -> tuple[RingMark, ...]:
    """The marks in force as the physics has them, in the order of channels and buses.

    Args:
        book: Marks that name channels and buses of ``rig`` only.
        rig: The numbering.
    """
    channels, buses = rig.layout.channels, rig.layout.buses
    found = (
        RingMark(channels.index(channel), buses.index(bus), mark.level_db)
        for (channel, bus), mark in book.in_force().items()
    )
    return tuple(sorted(found))


# -- changes ------------------------------------------------------------------------------------


def with_mark(book: Book, mark: Mark) -> Book:
    """The same file with one mark more.

    Raises:
        MarksError: the file is full, or written so that nothing can be added.
    """
    optional = [] if mark.frequency_hz is None else [f"frequency_hz = {mark.frequency_hz!r}"]
    lines = [f"level_db = {mark.level_db!r}", *optional]
    text = book.text + _block("mark", mark, lines, book.text)
    return _read_back(book, text, (*book.marks, mark), book.clears)


def with_clear(book: Book, clear: Clear) -> Book:
    """The same file with one clear note more.

    Raises:
        MarksError: the file is full, or written so that nothing can be added.
    """
    optional = [] if clear.ceiling_db is None else [f"ceiling_db = {clear.ceiling_db!r}"]
    lines = [f"clear_to_db = {clear.clear_to_db!r}", *optional]
    text = book.text + _block("clear", clear, lines, book.text)
    return _read_back(book, text, book.marks, (*book.clears, clear))


def withdrawn(book: Book, pair: Pair) -> Book:
    """The same file with the mark that binds a pair out of force; it stays as history.

    Raises:
        MarksError: no mark is in force there.
    """
    return _changed(book, pair, "withdrawn", True)


def with_frequency(book: Book, pair: Pair, frequency_hz: float) -> Book:
    """The same file with the frequency of the mark that binds a pair, Hz.

    Raises:
        MarksError: no mark is in force there.
    """
    return _changed(book, pair, "frequency_hz", frequency_hz)


def _changed(book: Book, pair: Pair, key: str, value: bool | float) -> Book:
    mark = book.in_force().get(pair)
    if mark is None:
        there = [f"{channel}/{bus}" for channel, bus in book.in_force()]
        expected = names_of(there) if there else "a pair with a mark, there is none"
        raise MarksError([Fault(book.where, f"no mark in force for {'/'.join(pair)}", expected)])
    index = next(i for i, one in enumerate(book.marks) if one is mark)
    word = str(value).lower() if isinstance(value, bool) else repr(value)
    text = _with_key(book.text, index, key, word)
    changed = mark.model_copy(update={key: value})
    marks = (*book.marks[:index], changed, *book.marks[index + 1 :])
    return _read_back(book, text, marks, book.clears)


def _with_key(text: str, index: int, key: str, word: str) -> str:
    """Mark number ``index`` with a key set: in its own line where it stands, else a new line."""
    lines = text.split("\n")
    header = line_of(text, ("mark", index))
    at = line_of(text, ("mark", index, key))
    here = re.fullmatch(rf"(\s*{key}\s*=\s*)[^\s#]+(.*)", lines[at - 1], re.DOTALL)
    if here:
        lines[at - 1] = f"{here[1]}{word}{here[2]}"
    else:
        lines.insert(header, f"{key} = {word}")
    return "\n".join(lines)


def _block(kind: Literal["mark", "clear"], tested: Mark | Clear, more: list[str], text: str) -> str:
    """A table as it is added at the end of a file."""
    gap = "" if not text else "\n" if text.endswith("\n") else "\n\n"
    lines = [
        f"[[{kind}]]",
        f"channel = {quoted(tested.channel)}",
        f"bus = {quoted(tested.bus)}",
        *more,
        f"when = {_stamp(tested.when)}",
        f"by = {quoted(tested.by)}",
    ]
    if isinstance(tested, Mark) and tested.withdrawn:
        lines.append("withdrawn = true")
    return gap + "\n".join(lines) + "\n"


def _stamp(when: datetime | date) -> str:
    """A date or date-time as TOML 1.0 writes it."""
    return when.isoformat().replace("+00:00", "Z")


def _read_back(book: Book, text: str, marks: tuple[Mark, ...], clears: tuple[Clear, ...]) -> Book:
    """What was written, read again: it must say what it was meant to say and nothing else."""
    if len(text.encode("utf-8", "surrogatepass")) > limits.FILE_BYTES_MAX:
        found = f"more than {limits.FILE_BYTES_MAX} bytes with the change"
        raise MarksError([Fault(book.where, found, "older marks moved to another file")])
    form = Fault(
        book.where,
        "a form that this change cannot be written into",
        "[[mark]] and [[clear]] tables, each key on a line of its own",
    )
    try:
        again = parse_marks(text, book.where)
    except MarksError as error:
        full = error.faults[0].expected.startswith("at most")
        raise MarksError(error.faults if full else [form]) from None
    if again.marks != marks or again.clears != clears:
        raise MarksError([form])
    return again


def checked_name(name: str, where: str) -> str:
    """A name that a mark may bear.

    Raises:
        MarksError: it cannot be shown or written.
    """
    try:
        name.encode("utf-8")
        return str(_NAME.validate_python(name))
    except ValueError:
        expected = f"1 to {limits.NAME_CHARACTERS_MAX} letters that can be shown, on one line"
        raise MarksError([Fault(where, shown(name), expected)]) from None


_NAME: TypeAdapter[str] = TypeAdapter(Name)

_ESCAPES = {
    '"': '\\"',
    "\\": "\\\\",
    "\b": "\\b",
    "\t": "\\t",
    "\n": "\\n",
    "\f": "\\f",
    "\r": "\\r",
}


def quoted(text: str) -> str:
    """A text as a basic string (TOML 1.0, "String"): quotes, backslashes, controls escaped."""
    return '"' + "".join(map(_escaped, text)) + '"'


def _escaped(letter: str) -> str:
    code = ord(letter)
    if letter in _ESCAPES:
        return _ESCAPES[letter]
    return f"\\u{code:04X}" if code < 0x20 or 0x7F <= code < 0xA0 else letter


def rounded_db(level_db: float) -> float:
    """A level as it is kept: hundredths of a dB, never above what was heard."""
    if level_db == -math.inf:
        return level_db
    return math.floor(level_db * 100.0 + 1e-6) / 100.0
