"""Hands that move controls, and a lesson that they can be taught in: no clock, no link."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Sequence
from functools import cache
from itertools import pairwise
from pathlib import Path

from bridge.errors import MapError
from bridge.learning.guess import Guess, guess
from bridge.learning.lesson import Lesson, MapText, Step
from bridge.learning.study import Study
from bridge.learning.watch import Direction, Watch
from bridge.learning.writer import checked, with_entry
from bridge.maps.load import parse_map
from bridge.rig.rig import Rig, parse_rig
from bridge.wire import midi_encode

MAPPINGS = Path(__file__).parents[3] / "mappings"

RIG = """
[rig]
name = "Ferry Lane, learning"
[limits]
send_ceiling_db = 3
master_ceiling_db = 0
[[channel]]
id = "voice"
label = "Voice"
console = 1
[[channel]]
id = "accordion"
console = 2
[[bus]]
id = "front"
console = 1
[[bus]]
id = "kit"
label = "Ines"
console = 2
[[performer]]
id = "ines"
name = "Ines"
buses = ["kit"]
send_ceiling_db = -3
[[performer]]
id = "tomas"
name = "Tomas"
buses = ["front", "kit"]
[engineer]
name = "Ruth"
[[group]]
id = "singers"
bus = "kit"
channels = ["voice"]
[[controller]]
id = "ines-box"
hands = "ines"
map = "box.toml"
midi = "Box*"
[[controller]]
id = "ruth-box"
hands = "engineer"
map = "ruth.toml"
midi = "Other*"
[[controller]]
id = "tomas-page"
hands = "tomas"
map = "page.toml"
listen = "udp://127.0.0.1:{port}"
source = "127.0.0.1"
[console]
map = "desk.toml"
send = "udp://192.0.2.10:9000"
"""

BOX = """\
# The box beside the drums.

[map]
name = "Box"        # painted on it
kind = "controller"

[[midi]]
label = "big knob"
parameter = "bus master"
bus = 1
message = "control change"
number = 20
law = { from_db = -40, to_db = 0 }   # quiet, not off
takeover = "scaled"

[[midi]]
parameter = "bus dim"
bus = 1
message = "nrpn"
midi_channel = 5
number = 300
action = "toggle"
# the last line
"""

PAGE = """\
[map]
name = "Page"
kind = "controller"

[[osc]]
parameter = "send level"
bus = 1
address = "/my/{channel}/level"
law = { from_db = -60, to_db = 0, off_at_bottom = true }
"""


def rig(port: int = 9311) -> Rig:
    return parse_rig(RIG.replace("{port}", str(port)), "rig.toml")


def study(number: int = 0) -> Study:
    name = "console-osc-position.toml"
    return Study(rig(), number, parse_map((MAPPINGS / name).read_text(), name))


@cache
def _shared(number: int) -> Study:
    """The same for all lessons that leave it as it is: to make one takes a while."""
    return study(number)


Said = list[tuple[bytes, ...]]
"""What is sent at each moment."""


def heard(
    said: Iterable[tuple[bytes, ...]],
    language: str = "midi",
    *,
    gap_s: float = 0.01,
    direction: Direction = Direction.FREE,
    watch: Watch | None = None,
) -> Watch:
    """A watch that has heard something, moment by moment."""
    watch = watch or Watch(language)
    if direction is not Direction.FREE:
        watch.begin(direction)
    now_s = 100.0 * len(watch.takes)
    for messages in said:
        for one in messages:
            watch.hear(one, now_s)
        now_s += gap_s
    return watch


def guessed(
    said: Iterable[tuple[bytes, ...]], language: str = "midi", gap_s: float = 0.01
) -> Guess:
    return guess(heard(said, language, gap_s=gap_s))


def sweep(top: int, *, most: int, low: int = 0, seed: int = 1) -> list[int]:
    """From one end to the other and back, in steps of 1 to ``most``."""
    chance = random.Random(seed)
    at, places = low, [low]
    while at < top:
        at = min(top, at + chance.randint(1, most))
        places.append(at)
    while at > low:
        at = max(low, at - chance.randint(1, most))
        places.append(at)
    return places


def trembling(places: Sequence[int], seed: int = 1) -> list[int]:
    """The same through a cheap potentiometer: each place with its neighbours, no word twice."""
    chance = random.Random(seed)
    told: list[int] = []
    for place in places:
        for _ in range(chance.randint(1, 4)):
            told += [place, max(0, min(127, place + chance.choice((-1, 1))))]
    return [told[0], *(b for a, b in pairwise(told) if a != b)]


def controls(number: int, values: Iterable[int], channel: int = 1) -> Said:
    return [midi_encode.control_change(channel, number, value) for value in values]


def clicks(coding: str, steps: Iterable[int], number: int = 16) -> Said:
    return controls(number, (midi_encode.encode_relative(coding, step) for step in steps))


class Taught:
    """A lesson with its texts; ``heard`` lets a control move and then be still.

    Attributes:
        said: Every line for the person.
        text: The map as it stands.
    """

    def __init__(self, number: int = 0, text: str = BOX, what: Study | None = None) -> None:
        self.study = what or _shared(number)
        self.map = MapText(text, "box.toml")
        self.said: list[str] = []
        self.lesson = Lesson(self.study, self.map, self.said.append)
        self.now_s = 10.0
        self.lesson.greet()

    @property
    def text(self) -> str:
        return self.map.text

    def _keep(self) -> None:
        new = with_entry(self.map.text, self.study.language, self.lesson.entry)
        checked(self.map.text, new, self.map.where, self.study)
        self.map.text = new
        self.lesson.written("box.toml")

    def hear(
        self, said: Iterable[tuple[bytes, ...]], gap_s: float = 0.01, still_s: float = 1.5
    ) -> None:
        for messages in said:
            for one in messages:
                self.lesson.hear(one, self.now_s)
            self.now_s += gap_s
            self.lesson.advance(self.now_s)
        self.now_s += still_s
        self.lesson.advance(self.now_s)

    def type(self, *lines: str) -> list[str]:
        """Type lines; answers what was said since."""
        before = len(self.said)
        for line in lines:
            self.lesson.line(line)
            if self.step is Step.WRITING:
                self._keep()
        return self.said[before:]

    def has(self, part: str) -> bool:
        return any(part in line for line in self.said)

    @property
    def step(self) -> Step:
        return self.lesson.step


def refused(act: Callable[[], object]) -> str:
    """What a refusal says."""
    try:
        act()
    except MapError as error:
        return str(error)
    raise AssertionError("nothing was refused")
