"""A whole house under fire on a clock of its own, and a witness that tells whether it held. Pure.

Bytes go in where the links would hand them over. What comes out goes to a console stand-in, whose
recording the witness judges: whatever anybody says, no promise may break.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from fuzz_bytes import NOW_UNIX_S

from bridge.house import House, Roads, console_words
from bridge.maps.load import parse_map
from bridge.maps.model import MapFile
from bridge.rig.rig import ENGINEER, Rig, parse_rig
from bridge.simulator.facts import Road, facts_from
from bridge.simulator.recording import Facts, header_of, note, settled
from bridge.simulator.stand_in import StandIn
from bridge.simulator.witness import Witness

MAPPINGS = Path(__file__).resolve().parents[2] / "mappings"

SETTLE_S = 90.0
"""Virtual time at the end in which every level has to arrive."""

WAKES_MAX = 20_000
"""Wake-ups in a row without time passing far: more is a loop that would stall the daemon."""

LINES_KEPT = 200
"""Lines of a recording that are kept to be damaged."""

ALIKE = """
[rig]
name = "Ferry Lane, under fire"
[limits]
send_ceiling_db = 3
master_ceiling_db = 0
rise_db_per_s = 12
step_db = 1
ramp_floor_db = -50
[[channel]]
id = "kick"
console = 1
[[channel]]
id = "voice"
console = 2
[[bus]]
id = "kit"
console = 1
start_db = -30
auto_open = true
start_mix = { kick = -12 }
[[bus]]
id = "front"
console = 2
tap = "post"
rise_db_per_s = 6
master_ceiling_db = -4.7
[[bus]]
id = "side"
console = 3
send_ceiling_db = -1.3
[[performer]]
id = "ines"
buses = ["kit"]
send_ceiling_db = -6
[[performer]]
id = "maud"
buses = ["front", "side"]
[[group]]
id = "others"
bus = "kit"
channels = ["voice"]
"""

OSC_ROADS = """
[[controller]]
id = "ines-tablet"
hands = "ines"
map = "tablet.toml"
listen = "udp://:9311"
source = "192.0.2.1"
[[controller]]
id = "maud-tablet"
hands = "maud"
map = "tablet.toml"
listen = "udp://:9311"
source = "192.0.2.2"
[[controller]]
id = "panel"
hands = "engineer"
map = "engineer-panel.toml"
listen = "udp://:9311"
source = "192.0.2.3"
[console]
map = "console-osc-position.toml"
send = "udp://192.0.2.10:9000"
readback = {readback}
channel_mute_cuts = ["post"]
"""

MIDI_ROADS = """
[[controller]]
id = "foot-board"
hands = "ines"
map = "foot-board.toml"
midi = "Foot"
[[controller]]
id = "knob-box"
hands = "maud"
map = "knob-box.toml"
midi = "Knobs"
[[controller]]
id = "key-pad"
hands = "engineer"
map = "key-pad.toml"
midi = "Keys"
[console]
map = "{console}"
midi = "Desk"
readback = {readback}
channel_mute_cuts = ["post"]
"""


_FACTS: dict[str, Facts] = {}
"""What was worked out of a rig: half a second that each fresh house would take."""


class Broken(Exception):
    """A promise that did not hold, in words."""


def shipped_map(name: str) -> MapFile:
    """One of the maps in ``mappings``."""
    return parse_map((MAPPINGS / name).read_text(encoding="utf-8"), name)


def osc_rig(*, readback: bool = True) -> str:
    """A small rig on OSC."""
    return ALIKE + OSC_ROADS.format(readback=str(readback).lower())


def midi_rig(console: str, *, readback: bool) -> str:
    """A small rig on MIDI."""
    return ALIKE + MIDI_ROADS.format(console=console, readback=str(readback).lower())


class FuzzHouse:
    """A house, its console stand-in and the witness.

    Args:
        text: The rig.
        lies: The console may say anything, so that only the ceilings can be judged.

    Attributes:
        rig: What was declared.
        controllers: How many controllers there are.
        now_s: The virtual moment, s.
        header: The first line of the recording.
        kept: The lines after it, the first ones.
    """

    def __init__(self, text: str, *, lies: bool = False) -> None:
        self.rig: Rig = parse_rig(text, str(MAPPINGS / "fuzz.toml"))
        file = self.rig.file
        maps: Mapping[str, MapFile] = {
            name: shipped_map(name)
            for name in {file.console.map, *(c.map for c in file.controller)}
        }
        self.lies, self.now_s = lies, 0.0
        near = console_words(self.rig, maps[file.console.map])
        far = console_words(self.rig, maps[file.console.map], at_console=True)
        self.desk = StandIn(far, self.rig.layout, self._record)
        news_s = 0.6 + 2 * file.console.answer_s
        road = Road(delay_s=file.console.delay_s, news_s=news_s)
        if text not in _FACTS:
            if len(_FACTS) > 8:
                _FACTS.clear()
            _FACTS[text] = facts_from(self.rig, near, self.desk.values, road)
        self.header = header_of(_FACTS[text])
        self.kept: list[dict[str, Any]] = []
        self.witness = Witness(self.header)
        self._out: deque[bytes] = deque()
        self.controllers = len(file.controller)
        reliable = file.console.midi is not None
        roads = Roads(self._send, [lambda data: True] * self.controllers, reliable)
        self.house = House(self.rig, maps, roads)
        self.house.console.link_open(self.now_s)
        self.house.settle(self.now_s)
        self.pass_time(3.0)

    def _record(self, line: dict[str, Any]) -> None:
        self.witness.feed(line)
        if len(self.kept) < LINES_KEPT:
            self.kept.append(line)

    def _send(self, data: bytes) -> bool:
        self._out.append(data)
        return True

    def _deliver(self) -> None:
        """What went out reaches the desk, and its answers the bridge, until nobody speaks."""
        turns = 0
        while self._out:
            replies = self.desk.receive(self._out.popleft(), self.now_s)
            if replies:
                self.house.from_console([(reply, None) for reply in replies], self.now_s)
            turns += 1
            if turns > WAKES_MAX:
                raise Broken("house and console talk without end, and no time passes")

    def hear(self, number: int, datas: Sequence[bytes]) -> None:
        """A controller speaks; whatever it says, a person may have meant it."""
        number %= self.controllers
        self._record(note(self.now_s, "person"))
        if self.rig.hands(self.rig.file.controller[number]) == ENGINEER:
            self._record(note(self.now_s, "allowed_open"))
        unix_s = NOW_UNIX_S + self.now_s
        self.house.from_controller(number, datas, self.now_s, unix_s)
        self.house.settle(self.now_s)
        self._deliver()

    def answer(self, datas: Sequence[bytes]) -> None:
        """Something comes from the console's address that no console would say."""
        assert self.lies, "an honest console says what the stand-in says"
        self.house.from_console([(data, None) for data in datas], self.now_s)
        self._deliver()

    def pass_time(self, seconds: float) -> None:
        """Let time pass, with every wake-up that the daemon would have."""
        until_s, wakes = self.now_s + seconds, 0
        while (due_s := self.house.next_wake_s(self.now_s)) <= until_s:
            self.now_s = max(due_s, self.now_s + 1e-4 if due_s <= self.now_s else 0.0)
            self.house.wake(self.now_s)
            self._deliver()
            wakes += 1
            if wakes > WAKES_MAX * (1 + seconds):
                raise Broken(f"{wakes} wake-ups within {seconds:g} s")
        self.now_s = max(self.now_s, until_s)
        self.check()

    def check(self) -> None:
        """Whatever can be seen from inside at any moment.

        Raises:
            Broken: it does not hold.
        """
        engine = self.house.engine
        if any(
            engine.matrix.goal[slot] == float("inf") for slot in self.house.console.words.can_set
        ):
            raise Broken("a level goes to +inf")

    def ended(self) -> None:
        """Let everything arrive, then ask the witness.

        Raises:
            Broken: a promise did not hold.
        """
        self.pass_time(SETTLE_S)
        if not self.lies:
            self._record(settled(self.now_s, self.house.expected()))
        findings = self.witness.findings()
        counts = dict(findings.counts)
        if self.lies:
            counts = {name: count for name, count in counts.items() if name == "ceiling"}
        if counts:
            shown = [str(one) for one in findings.breaches if one.promise in counts][:3]
            raise Broken(f"{counts}: {'; '.join(shown)}")
