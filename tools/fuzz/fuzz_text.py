"""Damaged files: rigs, maps, presets, ring marks, recordings; read as the bridge reads them. I/O.

A file that is refused must be refused with an error of ours that says where; one that is taken must
be usable: its words compile or say why not, and a house stands on it.
"""

from __future__ import annotations

import contextlib
import itertools
import random
import re
from collections.abc import Callable, Sequence

from fuzz_house import MAPPINGS, Broken, FuzzHouse, osc_rig
from fuzz_targets import LAYOUT, NAMES

from bridge.errors import BridgeError, FileError, MapError, RigError
from bridge.maps.console import ConsoleWords
from bridge.maps.controller import ControllerWords
from bridge.maps.load import parse_map
from bridge.maps.places import ConsoleNames
from bridge.presets.preset import PresetError, parse_preset, text_of
from bridge.rig.layout import KINDS, Kind
from bridge.rig.rig import Rig, parse_rig
from bridge.rig.toml import read_toml
from bridge.simulator.recording import RecordingError
from bridge.simulator.recording import text_of as line_of
from bridge.simulator.witness import judge_text
from bridge.soundcheck.marks import MarksError, parse_marks, ring_marks

_TOKEN = re.compile(r"\"(?:[^\"\\\n]|\\.)*\"|-?[0-9][0-9._]*|[A-Za-z_][A-Za-z0-9_-]*|[\[\]{}=,]|\n")

STRANGE = (
    "nan", "inf", "-inf", "-0.0", "1e400", "1e-400", "9" * 40, "9" * 5000, "-1", "0", "1.5", "true",
    "false", '""', '"\\u0000"', '"\\ud800"', '" "', "'x'", '"' + "a" * 300 + '"', "[]", "{}",
    "[[]]",
    "[[1, 2], [3]]", "{ a = 1 }", '["kit", "kit"]', "1979-05-27", "07:32:00", '"""\nx"""', "0x7f",
    "0o17", "[nan]", '"*"', '"{channel}"', '"{bus:02}"', '"{value}"', '"/"', '"#"', '"../../x"',
    '"engineer"', '"udp://:0"', '"F0 7D {value} F7"', '"\\n"', '"é"', "[" * 80, "{a=" * 40,
    "a." * 60 + "a", "1_000", "+1", '"off"', '"\u202ex"', "3.4e38", "-3.4e38", "4e-45", "99999",
)  # fmt: skip
"""What replaces a word or number."""

LETTERS = "\0\t\r\n \"'#=.,[]{}\\-_0159aéß\u2028\ufeff\U0001f3b5"
"""What replaces a letter."""


LEVELS = frozenset(slot for slot in LAYOUT if KINDS[LAYOUT.place(slot).parameter][0] is Kind.LEVEL)


class TextMutator:
    """Makes texts from good ones, token by token and line by line.

    Args:
        seed: The same seed gives the same texts.
        corpus: Good texts.
    """

    def __init__(self, seed: str, corpus: Sequence[str]) -> None:
        self._chance = random.Random(seed)
        self._corpus: list[list[str]] = [_TOKEN.split(text) for text in corpus]
        self._tokens: list[list[str]] = [_TOKEN.findall(text) for text in corpus]
        self._words = sorted({word for tokens in self._tokens for word in tokens if word != "\n"})
        self._lines = [text.splitlines(keepends=True) for text in corpus]

    def make(self) -> str:
        """The next text."""
        chance = self._chance
        number = chance.randrange(len(self._corpus))
        if chance.random() < 0.3:
            text = self._other_lines(number)
        else:
            text = self._other_tokens(number)
        if chance.random() < 0.15:
            text = self._other_letters(text)
        return text

    def _other_tokens(self, number: int) -> str:
        between, tokens = self._corpus[number], list(self._tokens[number])
        for _ in range(self._chance.choice((1, 1, 1, 2, 3, 8))):
            at = self._chance.randrange(len(tokens))
            tokens[at] = self._instead(tokens[at])
        return "".join(itertools.chain(*zip(between, [*tokens, ""], strict=True)))

    def _instead(self, word: str) -> str:
        chance = self._chance
        kind = chance.randrange(6)
        if kind == 0:
            return ""
        if kind == 1:
            return word + word
        if kind == 2:
            return chance.choice(self._words)
        if kind == 3 and word[:1].isdigit():
            return f"{chance.choice((-1, 1)) * 10 ** chance.uniform(-3, 6):.6g}"
        return chance.choice(STRANGE)

    def _other_lines(self, number: int) -> str:
        lines, chance = list(self._lines[number]), self._chance
        for _ in range(chance.choice((1, 1, 2, 5))):
            at, to = chance.randrange(len(lines)), chance.randrange(len(lines))
            kind = chance.randrange(5)
            if kind == 0 and len(lines) > 1:
                del lines[at]
            elif kind == 1:
                lines.insert(to, lines[at])
            elif kind == 2:
                lines[at], lines[to] = lines[to], lines[at]
            elif kind == 3:
                other = chance.choice(self._lines)
                start = chance.randrange(len(other))
                lines[at:at] = other[start : start + chance.randrange(1, 8)]
            else:
                del lines[at + 1 :]
        return "".join(lines)

    def _other_letters(self, text: str) -> str:
        letters = list(text)
        for _ in range(self._chance.choice((1, 2, 6))):
            if letters:
                letters[self._chance.randrange(len(letters))] = self._chance.choice(LETTERS)
        return "".join(letters)


class FileTarget:
    """One kind of file.

    Args:
        seed: Where the texts come from.
        corpus: Good texts.
        read: Reads a text as the bridge does; raises nothing but ``Broken``.
        deep: What is done now and then with a text that was taken.
    """

    def __init__(
        self,
        seed: str,
        corpus: Sequence[str],
        read: Callable[[str], object | None],
        deep: Callable[[str], None] = lambda text: None,
    ) -> None:
        self._mutator = TextMutator(seed, corpus)
        self._read, self._deep, self._taken = read, deep, 0
        self.make_text = self._mutator.make

    def make(self) -> bytes:
        """The next text, as bytes of a file."""
        return self._mutator.make().encode("utf-8", "surrogatepass")

    def take(self, data: bytes) -> None:
        """Read it."""
        self._read(data.decode("utf-8", "replace"))

    def keep(self, data: bytes) -> None:
        """Use one in some of those that are taken."""
        text = data.decode("utf-8", "replace")
        if len(data) % 8 == 0 and self._read(text) is not None:
            self._deep(text)

    def ended(self) -> None:
        """Nothing is kept."""


def texts(folder: str, pattern: str = "*.toml") -> list[str]:
    """The shipped files of a folder below ``mappings``."""
    found = [path.read_text(encoding="utf-8") for path in sorted((MAPPINGS / folder).glob(pattern))]
    assert found, f"there are files in {folder}"
    return found


def _said(error: FileError) -> None:
    """Whether an error says where, what and what was expected, on lines that are no walls.

    Raises:
        Broken: it does not.
    """
    for fault in error.faults:
        if not (fault.where and str(fault.found) and fault.expected):
            raise Broken(f"half a fault: {fault!r}")
        if len(str(fault)) > 2000 or not str(fault).isprintable():
            raise Broken(f"a fault that cannot be shown: {str(fault)[:200]!r}, {len(str(fault))}")
    if not 1 <= len(error.faults) <= 100:
        raise Broken(f"{len(error.faults)} faults at once")


# -- each kind -------------------------------------------------------------------------------------


def read_rig(text: str) -> Rig | None:
    """A rig, or None where it is refused."""
    try:
        rig = parse_rig(text, "fuzz.toml")
    except RigError as error:
        _said(error)
        return None
    for slot in (0, rig.layout.size - 1, rig.layout.size // 2):
        rig.name(slot)
    return rig


def build(text: str) -> None:
    """A house on a rig with its maps, if its maps are shipped and suit it."""
    with contextlib.suppress(BridgeError, OSError):  # its maps are not there, or do not suit it
        FuzzHouse(text.replace("../", "")).pass_time(1.0)


def rig_target(seed: str) -> FileTarget:
    """Rigs."""
    small = [text for text in texts("rigs") if len(text) < 20_000]
    return FileTarget(seed, [*small, *small, osc_rig(), *texts("rigs")[-1:]], read_rig, build)


def read_map(text: str) -> object | None:
    """A map with its words at both ends, or None where it is refused."""
    try:
        map_file = parse_map(text, "fuzz.toml")
    except MapError as error:
        _said(error)
        return None
    names = NAMES["console-osc-names.toml"] if "Kick" in text else ConsoleNames.counted(LAYOUT)
    try:
        if map_file.map.kind == "console":
            bridge = ConsoleWords(map_file, LAYOUT, names)
            ConsoleWords(map_file, LAYOUT, names, end="console")
            for slot in [slot for slot in bridge.can_set if slot in LEVELS][:6]:
                bridge.encode(slot, -6.0)
                if not bridge.held(slot, -6.0) <= -5.999:
                    raise Broken(f"slot {slot} is told -6 dB and holds {bridge.held(slot, -6.0)}")
            bridge.decode(b"/out/1\0\0,f\0\0\0\0\0\0")
            bridge.decode(b"\xb0\x07\x40")
        else:
            hands = ControllerWords(map_file, LAYOUT)
            hands.decode(b"/my/1/level\0,f\0\0\0\0\0\0", 0.0)
            hands.decode(b"\x90\x3c\x40", 0.0)
            hands.advance(10.0)
    except MapError as error:
        _said(error)
        return None
    return map_file


def map_target(seed: str) -> FileTarget:
    """Address maps."""
    return FileTarget(seed, texts("."), read_map)


def preset_target(seed: str) -> FileTarget:
    """Presets: what is taken is written so that it reads back the same."""
    rig = parse_rig((MAPPINGS / "rigs" / "demo.toml").read_text(encoding="utf-8"), "demo.toml")

    def read(text: str) -> object | None:
        try:
            preset = parse_preset(text, "fuzz.toml", rig)
        except PresetError as error:
            _said(error)
            return None
        if parse_preset(text_of(preset), "again.toml", rig) != preset:
            raise Broken("a preset reads back otherwise")
        return preset

    return FileTarget(seed, [PRESET, *texts("rigs/drummer.presets")], read)


def marks_target(seed: str) -> FileTarget:
    """Ring marks."""
    rig = parse_rig((MAPPINGS / "rigs" / "demo.toml").read_text(encoding="utf-8"), "demo.toml")

    def read(text: str) -> object | None:
        try:
            book = parse_marks(text, "fuzz.toml", rig)
        except MarksError as error:
            _said(error)
            return None
        for mark in ring_marks(book, rig):
            if not abs(mark.effective_db) < 1000.0:
                raise Broken(f"a mark at {mark.effective_db} dB")
        return book

    return FileTarget(seed, [MARKS], read)


def toml_target(seed: str) -> FileTarget:
    """TOML of any kind: broken far more often than a rig."""

    def read(text: str) -> object | None:
        try:
            return read_toml(text, "fuzz.toml", RigError)
        except RigError as error:
            _said(error)
            return None

    return FileTarget(seed, [*texts("."), PRESET, MARKS], read)


def recording_target(seed: str) -> FileTarget:
    """Recordings: judged, or refused with a line number."""
    lines: list[str] = []
    house = FuzzHouse(osc_rig())
    facts = house.header

    def read(text: str) -> object | None:
        try:
            return judge_text(text.splitlines(keepends=True))
        except RecordingError:
            return None

    house.hear(2, [b"/mix/2/open\0,i\0\0\0\0\0\1"])
    house.pass_time(2.0)
    lines = [line_of(line) for line in (facts, *house.kept)][:80]
    return FileTarget(seed, ["".join(lines)], read)


PRESET = """label = "Second set"
note = "more accordion in the reel"
by = "Ruth"
when = 2025-03-01T18:02:11Z
cue = "91.5"
[scope]
buses = ["kit", "front"]
channels = ["voice", "bass"]
what = ["level", "on"]
[bus.kit]
master_db = -6.0
[bus.kit.send]
voice = { level_db = -12.0, on = true, tap = "pre", pan = 0.25 }
bass = { level_db = "off" }
[bus.front.send]
voice = { level_db = -3.5 }
"""

MARKS = """[[mark]]
channel = "voice"
bus = "front"
level_db = -3.5
frequency_hz = 2500
when = 2025-03-01T18:02:11Z
by = "Ruth"
[[clear]]
channel = "bass"
bus = "left"
clear_to_db = -2.0
ceiling_db = 3
when = 2025-03-01T18:05:11Z
by = "Ruth"
"""
