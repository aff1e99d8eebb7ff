"""Promise 6: whoever is limited or refused is told which rule did it, in words for a performer.

A whole bridge runs on the virtual clock. Every gesture is watched at the engine's door, so a
verdict that gets lost on its way to people, and a limit that passes for "taken", are found too.
"""

from __future__ import annotations

import asyncio
import math
import re
from dataclasses import dataclass, field

import pytest
from support.whole import MAPPINGS, Kind, Run

from bridge.daemon import Daemon
from bridge.maps.load import parse_map
from bridge.maps.move import FLIP, SET, STEP, Move
from bridge.mix.gesture import LIMITED, REFUSED, RULES, TAKEN, Verdict, explain
from bridge.rig.rig import ENGINEER, Rig, parse_rig
from bridge.units import FLOOR_DB, OFF

RIG = """
[rig]
name = "Ferry Lane, simulated"
[limits]
send_ceiling_db = 3
master_ceiling_db = 0
rise_db_per_s = 20
[[channel]]
id = "ch-kick"
label = "Bass drum"
console = 1
[[channel]]
id = "ch-voice"
label = "Voice"
console = 2
[[bus]]
id = "bus-kit"
label = "Drums wedge"
console = 1
auto_open = true
start_mix = { ch-kick = -12, ch-voice = -9 }
[[bus]]
id = "bus-front"
label = "Front wedges"
console = 2
tap = "post"
master_ceiling_db = -4.7
send_ceiling_db = 1
start_mix = { ch-kick = -20 }
[[performer]]
id = "p-ines"
name = "Ines"
buses = ["bus-kit"]
send_ceiling_db = -6
[[performer]]
id = "p-maud"
name = "Maud"
buses = ["bus-front"]
window_db = 8
[engineer]
name = "Ruth"
[[group]]
id = "everything"
bus = "bus-kit"
channels = ["ch-kick", "ch-voice"]
[[group]]
id = "kick-first"
bus = "bus-kit"
channels = ["ch-kick"]
against = ["ch-voice"]
""" + "".join(
    f"""
[[controller]]
id = "c-{name}"
hands = "{hands}"
map = "hands.toml"
listen = "udp://:9311"
source = "192.0.2.{number}"
"""
    for number, (name, hands) in enumerate(
        (("ines", "p-ines"), ("maud", "p-maud"), ("page", "engineer")), start=1
    )
) + """
[console]
map = "desk.toml"
send = "udp://192.0.2.10:9000"
answer_s = 1.0
"""  # fmt: skip

STAGE = """
[presets]
order = ["reel", "ballad"]
[stage]
[[microphone]]
channel = "ch-voice"
at = [0.0, 0.0, 1.6]
aim_at = [0.0, 0.1, 1.6]
pattern = "cardioid"
nominal_spl_db = 94
[[loudspeaker]]
id = "drum-wedge"
bus = "bus-kit"
active = true
at = [0.6, 1.0, 0.2]
aim_at = [0.0, 0.0, 1.6]
spl_1m_db = 104
max_spl_db = 104
[[loudspeaker]]
id = "front-wedge"
bus = "bus-front"
active = true
at = [0.2, -1.0, 0.2]
aim_at = [0.0, 0.3, 1.6]
spl_1m_db = 112
[[ear]]
performer = "p-maud"
at = [0.0, 0.25, 1.65]
most_db = 101
"""
OF_A_STAGE = {
    f"{past}{rule}" for past in ("", "past ") for rule in ("feedback", "exposure", "amplifier")
}
"""Rules that only a rig with a stage can meet."""

LEVEL, SWITCH, PLAIN = 'law = "page"\ntakeover = "jump"\n', 'type = "i"\n', ""
CELL = (("send level", "level", LEVEL), ("send on", "on", SWITCH), ("send tap", "tap", SWITCH),
        ("send pan", "pan", PLAIN))  # fmt: skip
BUS = (("bus master", "level", LEVEL), ("bus open", "open", SWITCH), ("bus mute", "mute", SWITCH),
       ("bus dim", "dim", SWITCH))  # fmt: skip
CHANNEL = (("channel fader", "fader", LEVEL), ("channel mute", "mute", SWITCH))
HANDS = """
[map]
name = "Everything by one page"
kind = "controller"
[law.page]
points = [[0, -60], [0.5, -15], [1, 12]]
off_at_bottom = true
""" + "".join(
    f'[[osc]]\nparameter = "{parameter}"\naddress = "{place}/{word}"\n{more}'
    for place, rows in (
        ("/bus/{bus}/of/{channel}", CELL),
        ("/bus/{bus}", BUS),
        ("/ch/{channel}", CHANNEL),
        ("/hold/{performer}", (("freeze", "on", SWITCH),)),
        ("/all", (("silence all", "quiet", SWITCH),)),
    )
    for parameter, word, more in rows
)  # fmt: skip
ADDRESSES = tuple(
    (re.sub(r"\{(\w+)\}", "{}", place) + f"/{word}", "i" if more == SWITCH else "f")
    for place, rows in (("/bus/1/of/{channel}", CELL), ("/bus/1", BUS), ("/ch/{channel}", CHANNEL))
    for _, word, more in rows
)
INTERNAL = re.compile(r"\b(ch|bus|p|c)-\w+|\w_\w|None|nan|inf\b|\{|<")


@dataclass
class Watched(Run):
    """A run with a watch at the engine's door and another where people are told."""

    judged_at_the_door: list[tuple[Verdict, int, float]] = field(default_factory=list)
    tables: str = ""
    told: list[Verdict] = field(default_factory=list)
    late: list[Verdict] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__post_init__()
        desk = (MAPPINGS / "console-osc-position.toml").read_text()
        without_pan = re.sub(r'\[\[osc\]\]\nparameter = "send pan"\n(?:\w.*\n)+', "", desk)
        assert without_pan != desk
        self.rig: Rig = parse_rig(RIG + self.tables, "house.toml")
        self.maps = {
            "hands.toml": parse_map(HANDS, "hands.toml"),
            "desk.toml": parse_map(without_pan, "desk.toml"),
        }
        self.sabotage = self._watch

    def _watch(self, daemon: Daemon) -> None:
        """Note every wish with its verdict and what is asked then, and every verdict told."""
        engine, hands = daemon.house.engine, daemon.house.controllers
        wish, tell = engine.wish, hands.on_verdict

        def watched(who: int, slot: int, action: int, value: float, now_s: float) -> Verdict:
            verdict = wish(who, slot, action, value, now_s)
            asked = engine.matrix.asked[slot] if 0 <= slot < engine.matrix.size else math.nan
            self.judged_at_the_door.append((verdict, action, asked))
            return verdict

        def hear(name: str, verdict: Verdict) -> None:
            (self.late if name == "stage" else self.told).append(verdict)
            tell(name, verdict)

        engine.wish = watched  # type: ignore[method-assign]
        hands.on_verdict = hear

    def act(self, number: int, slot: int, action: int, value: float) -> None:
        """A move that no map makes: the rules have an answer to it all the same."""
        hands = self.daemon.house.controllers
        now_s = asyncio.get_running_loop().time()
        hands.act(hands.all[number], [Move(0, slot, action, value)], now_s)

    async def _play(self, loop: asyncio.AbstractEventLoop) -> None:
        await asyncio.sleep(0.0005)
        self.say(0, "/bus/1/level", "f", 0.5)  # the fastest answer takes twice that time
        await asyncio.sleep(8.0)
        while loop.time() < self.seconds - 45:
            self._spell(loop)
            if self.tables:
                self._desk()
            await asyncio.sleep(self.random.uniform(0.5, 4.0))
            if self.random.random() < 0.15:
                await self._dark()
        self.say(2, "/hold/1/on", "i", 0)

    def _spell(self, loop: asyncio.AbstractEventLoop) -> None:
        """Some gestures of everybody, most of them too far, and what no map can say."""
        hands = self.random
        for _ in range(hands.randint(2, 12)):
            number = hands.choice((0, 1, 2))
            address, tag = hands.choice(ADDRESSES)
            value = hands.random() if tag == "f" else hands.randint(0, 1)
            if hands.random() < 0.4 and tag == "f":
                value = 1.0
            where = address.replace("/bus/1", f"/bus/{hands.randint(1, 2) if number == 2 else 1}")
            self.say(number, where.format(hands.randint(1, 2)), tag, value)
        self.say(2, "/hold/1/on", "i", hands.randint(0, 1))
        self.say(hands.choice((0, 2)), "/all/quiet", "i", int(hands.random() < 0.2))
        m = self.daemon.house.engine.matrix
        self.act(2, m.hold + hands.randint(0, 1), SET, float(hands.random() < 0.15))
        people = self.daemon.house.engine.people
        people.set_ceiling(-1, m.send + hands.randint(0, 3), hands.choice((-6.0, None, None)))
        windows = self.daemon.house.engine.wishes.windows
        windows.clear()
        if hands.random() < 0.2:
            windows.update(dict.fromkeys(range(m.send, m.on), (-20.0, -10.0)))
        for _ in range(hands.randint(0, 20)):
            self.act(2, m.preset + 2, SET, 1.0)  # nobody recalls anything in this house
        if hands.random() < 0.5:
            people.calls.clear()
        for group in (m.group, m.group + 1):
            self.act(2, group, STEP, hands.choice((-4.0, 3.0, 20.0)))
        self.act(hands.choice((0, 1, 2)), hands.randrange(m.size), SET, math.nan)
        self.act(hands.choice((0, 1, 2)), hands.randrange(m.size), FLIP, 0.0)
        self.act(hands.choice((0, 1, 2)), hands.choice((-1, m.size, 10**9)), SET, 0.0)
        self.act(2, hands.randrange(m.size), hands.choice((SET, STEP)), hands.choice((1e9, -1e9)))

    def _desk(self) -> None:
        """Somebody at the desk turns a mix up, or down again."""
        hands, m = self.random, self.daemon.house.engine.matrix
        slots = [m.master + hands.randint(0, 1), m.send + hands.randint(0, 3)]
        for slot in slots:
            self.console.move(slot, hands.choice((9.0, 0.0, -30.0, -30.0)))

    async def _dark(self) -> None:
        """The console is away; hands go on."""
        self.cable.bridge_end.pull()
        for _ in range(8):
            await asyncio.sleep(0.5)
            number = self.random.choice((0, 1, 2))
            self.say(number, f"/bus/1/of/{self.random.randint(1, 2)}/level", "f", 1.0)
            self.say(number, "/bus/1/level", "f", 0.3)
        self.cable.bridge_end.plug()
        await asyncio.sleep(8.0)


@pytest.fixture(scope="module", params=[(41, ""), (42, ""), (43, STAGE)], ids=("41", "42", "stage"))
def run(request: pytest.FixtureRequest) -> Watched:
    """A run that is over."""
    seed, tables = request.param
    run = Watched(seed, Kind("console-osc-position.toml"), seconds=700.0, tables=tables)
    run.judged()
    return run


def test_every_rule_that_can_bind_was_met(run: Watched) -> None:
    met = {verdict.rule for verdict in (*run.told, *run.late)}
    rules = set(RULES) - {"no presets"} if run.tables else set(RULES) - OF_A_STAGE - {"preset busy"}
    assert met == rules, f"seed {run.seed}: {rules ^ met}"


def test_everybody_who_was_limited_or_refused_was_told_and_nobody_else(run: Watched) -> None:
    bound = [verdict for verdict, *_ in run.judged_at_the_door if verdict.outcome != TAKEN]
    assert list(map(repr, run.told)) == list(map(repr, bound)), f"seed {run.seed}"
    counts = run.daemon.house.controllers.counts
    assert counts[LIMITED] + counts[REFUSED] == len(run.told) + len(run.late) > 400
    assert counts[TAKEN] > 400


def test_what_was_taken_was_not_limited_silently(run: Watched) -> None:
    engine = run.daemon.house.engine
    for verdict, _, asked in run.judged_at_the_door:
        if verdict.outcome == TAKEN and not verdict.slot >= engine.matrix.group:
            wanted = verdict.wanted if verdict.wanted >= FLOOR_DB else OFF
            level = verdict.level if verdict.level >= FLOOR_DB else OFF
            assert wanted == level == asked, f"seed {run.seed}: {verdict} but {asked}"
            assert verdict.rule == ""


def test_a_limit_says_the_level_that_is_left(run: Watched) -> None:
    for verdict in (*run.told, *run.late):
        if verdict.outcome == LIMITED:
            off = verdict.level == OFF and verdict.rule in OF_A_STAGE | {"own window"}
            assert off or math.isfinite(verdict.level), f"seed {run.seed}: {verdict}"
            assert (
                not verdict.level > verdict.wanted
                or verdict.slot >= run.daemon.house.engine.matrix.group
                or verdict.rule in {"room window", "own window"}
            )


def test_a_refusal_names_its_rule_and_leaves_the_level_alone(run: Watched) -> None:
    for verdict, _, asked in run.judged_at_the_door:
        if verdict.outcome == REFUSED:
            assert verdict.rule in RULES
            same = verdict.level == asked or (math.isnan(verdict.level) and math.isnan(asked))
            assert same, f"seed {run.seed}: {verdict} but {asked}"


def test_every_limit_is_said_in_a_performer_s_words(run: Watched) -> None:
    rig, people = run.rig, ("Ines", "Maud", "Ruth")
    labels = (
        "Bass drum",
        "Voice",
        "Drums wedge",
        "Front wedges",
        *people,
        "silence all",
        "freeze",
        "sound level",
        "bus hold",
        "ask",
        "preset",
    )
    for verdict in (*run.told, *run.late):
        said = explain(verdict, rig)
        assert not INTERNAL.search(said), f"seed {run.seed}: {said}"
        assert said.startswith(f"{people[verdict.who]}: "), said
        what = said.split(": ", 1)[1]
        if verdict.rule != "no such parameter":
            assert any(label in what for label in labels), said
        assert ": limited, " in said or ": refused: " in said, said
        assert len(said) < 200
    assert ENGINEER == -1, "people[-1] is the engineer"
