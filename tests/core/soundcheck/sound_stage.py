"""A small invented stage, and a person at the keys of a console that has every word at once."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

from support.house import House

from bridge.rig.layout import Parameter
from bridge.rig.rig import Rig, parse_rig
from bridge.soundcheck.desk import Desk
from bridge.soundcheck.marks import Book, Mark
from bridge.soundcheck.plan import plan_of
from bridge.soundcheck.procedure import Procedure
from bridge.soundcheck.states import Plan, State, Word

STAGE = """
[rig]
name = "Ferry Lane, room 2"
[limits]
send_ceiling_db = 3
master_ceiling_db = 0
rise_db_per_s = 12
[[channel]]
id = "kick"
console = 1
[[channel]]
id = "accordion"
console = 2
[[channel]]
id = "voice"
console = 3
[[bus]]
id = "kit"
label = "Ines"
console = 1
nominal_db = -3
auto_open = true
start_mix = { voice = -20, accordion = -15 }
[[bus]]
id = "front"
console = 2
send_ceiling_db = 1
master_ceiling_db = -2
[[bus]]
id = "ears"
console = 3
[[performer]]
id = "ines"
name = "Ines"
buses = ["kit"]
[[performer]]
id = "maud"
name = "Maud"
buses = ["front"]
[engineer]
name = "Ruth"
[console]
map = "none.toml"
send = "udp://192.0.2.10:9000"
[stage]
margin_db = 6
[[microphone]]
channel = "voice"
pattern = "cardioid"
at = [0.0, 0.0, 1.6]
aim_deg = [0, 0]
nominal_spl_db = 100
[[microphone]]
channel = "accordion"
pattern = "omni"
at = [1.5, 0.5, 1.0]
aim_deg = [0, 0]
nominal_spl_db = 105
[[loudspeaker]]
id = "wedge-kit"
bus = "kit"
active = true
spl_1m_db = 100
at = [1.0, 2.5, 0.3]
aim_at = [1.0, 3.0, 1.2]
[[loudspeaker]]
id = "wedge-front"
bus = "front"
active = true
spl_1m_db = 100
at = [0.0, -1.2, 0.3]
aim_at = [0.0, 0.0, 1.6]
"""

NOON = datetime(2025, 3, 1, 12, 0, tzinfo=UTC)
BY_HAND = """\
# Ferry Lane, marks of the winter tour
[[mark]]   # the loud one
channel = "voice"
bus = "kit"
level_db = -8.5
frequency_hz = 2500   # about
when = 2025-03-01
by = "Ruth"

[[clear]]
by = "Ruth"
when = 2025-03-01T12:00:00Z
bus = "front"
channel = "voice"
clear_to_db = 3
# the end
"""


def mark(level_db: float = -8.5, **more: object) -> Mark:
    facts = {"channel": "voice", "bus": "kit", "level_db": level_db, "when": NOON, "by": "Ruth"}
    return Mark.model_validate({**facts, **more})


KICK, ACCORDION, VOICE = range(3)
KIT, FRONT, EARS = range(3)


def stage_rig(text: str = STAGE, where: str = "stage.toml") -> Rig:
    return parse_rig(text, where)


class Check:
    """A soundcheck on an engine with a console that has every word at once.

    The house starts with the drummer's mix open and up.
    """

    def __init__(self, text: str = STAGE, plan: Plan | None = None, confirms: bool = True) -> None:
        self.house = House(text, confirms=confirms)
        self.house.started()
        if confirms:
            self.house.run(15.0)
        self.rig, self.engine = self.house.rig, self.house.engine
        self.desk = Desk(self.engine)
        plan = plan or plan_of(self.rig, Book("stage.marks.toml"))
        self.procedure = Procedure(self.desk, plan)
        self.texts: list[str] = []

    @property
    def state(self) -> State:
        return self.procedure.state

    def say(self, word: Word, hz: float | None = None, **more: float) -> Check:
        """The person says a word; the console has what follows at once."""
        self.procedure.hear(word, self.house.now_s, hz, **more)
        self.house.pump()
        self._take()
        return self

    def run(self, seconds: float) -> Check:
        """Let time pass."""
        until_s = self.house.now_s + seconds
        while self.house.now_s < until_s - 1e-9:
            self.procedure.advance(self.house.now_s)
            self.house.pump()
            self.house.run(0.05, tick_s=0.025)
        self._take()
        return self

    def until(self, state: State, seconds: float = 120.0) -> Check:
        """Let time pass until it stands there."""
        until_s = self.house.now_s + seconds
        while self.state is not state:
            assert self.house.now_s < until_s, f"still {self.state}: {self.texts[-3:]}"
            self.run(0.05)
        return self

    def up_to(self, level_db: float, seconds: float = 120.0) -> Check:
        """Let the pair rise until it stands at an effective level."""
        until_s = self.house.now_s + seconds
        while self.effective() < level_db:
            assert self.house.now_s < until_s and self.state is State.RISING, self.texts[-3:]
            self.run(0.05)
        return self

    def _take(self) -> None:
        self.texts += self.procedure.said
        self.procedure.said.clear()

    def effective(self) -> float:
        """The effective level of the pair that is offered or up."""
        pair = self.procedure.pair
        return self.desk.effective_db(*pair) if pair else float("-inf")

    def loudest_db(self) -> float:
        """The loudest pair of all, as the console has it."""
        m = self.engine.matrix
        return max(self.desk.effective_db(c, b) for c in range(m.channels) for b in range(m.buses))

    def silent(self) -> bool:
        """Whether the console has every master off."""
        m = self.engine.matrix
        return all(m.told[m.master + bus] <= m.floor_db for bus in range(m.buses))

    def told(self, parameter: Parameter, channel: int = -1, bus: int = -1) -> float:
        return self.engine.matrix.told[self.rig.layout.slot(parameter, channel, bus)]


def chosen() -> Check:
    return Check().run(0.1)


def ready() -> Check:
    return chosen().say(Word.GO).until(State.READY)


def rising(level_db: float = -20.0) -> Check:
    return ready().say(Word.GO).up_to(level_db)


def clear() -> Check:
    return ready().say(Word.GO).until(State.CLEAR)


def leaving() -> Check:
    return rising().say(Word.LEAVE)


IN_STATE: dict[State, Callable[[], Check]] = {
    State.WAITING: Check,
    State.CHOOSE: chosen,
    State.PREPARING: lambda: chosen().say(Word.GO).run(0.5),
    State.READY: ready,
    State.RISING: rising,
    State.RANG: lambda: rising().say(Word.RING),
    State.CLEAR: clear,
    State.HELD: lambda: rising().say(Word.SILENCE),
    State.LEAVING: leaving,
    State.RESTORING: lambda: leaving().say(Word.RESTORE).run(1.0),
    State.LEFT: lambda: leaving().say(Word.LEAVE),
}
