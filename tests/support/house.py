"""A small invented house, and an engine whose console takes everything at once."""

from __future__ import annotations

from bridge.mix.engine import Engine
from bridge.mix.gesture import SET, Verdict
from bridge.rig.layout import Parameter
from bridge.rig.rig import Rig, parse_rig

CHANNELS = ("kick", "accordion", "voice", "bass")
BRIDGE_ONLY = (
    Parameter.BUS_OPEN,
    Parameter.BUS_DIM,
    Parameter.SILENCE,
    Parameter.FREEZE,
    Parameter.GROUP,
)

RIG = """
[rig]
name = "Ferry Lane, room 2"

[limits]
send_ceiling_db = 6
master_ceiling_db = 3
fader_ceiling_db = 10

[[channel]]
id = "kick"
console = 1
[[channel]]
id = "accordion"
console = 2
[[channel]]
id = "voice"
console = 3
[[channel]]
id = "bass"
console = 4

[[bus]]
id = "kit"
console = 1
send_ceiling_db = 0
master_ceiling_db = -3
start_mix = { kick = -12, voice = -20 }
[[bus]]
id = "front"
console = 2
rise_db_per_s = 3
step_db = 0.5
[[bus]]
id = "side"
console = 3
tap = "post"
auto_open = true

[[performer]]
id = "ines"
name = "Ines"
buses = ["kit"]
send_ceiling_db = -6
[[performer]]
id = "maud"
name = "Maud"
buses = ["front", "side"]

[engineer]
name = "Ruth"

[[group]]
id = "others"
bus = "kit"
channels = ["accordion", "voice", "bass"]

[console]
map = "none.toml"
send = "udp://192.0.2.10:9000"
channel_mute_cuts = ["post"]
"""


def rig(text: str = RIG) -> Rig:
    """The house's rig."""
    return parse_rig(text, "house.toml")


def everything(rig: Rig, without: tuple[Parameter, ...] = ()) -> frozenset[int]:
    """Every slot that a console usually has."""
    absent = BRIDGE_ONLY + without
    return frozenset(s for s in rig.layout if rig.layout.place(s).parameter not in absent)


class House:
    """An engine with a console that has every word at once and confirms it."""

    def __init__(
        self,
        text: str = RIG,
        *,
        without: tuple[Parameter, ...] = (),
        wait_for_word: bool = False,
        confirms: bool = True,
    ) -> None:
        self.rig = rig(text)
        self.layout = self.rig.layout
        self.engine = Engine(
            self.rig, can_set=everything(self.rig, without), wait_for_word=wait_for_word
        )
        self.now_s = 0.0
        self.confirms = confirms
        self.words: list[tuple[float, int, float]] = []

    def started(self, heard: dict[int, float] | None = None) -> House:
        """Begin and let the start finish."""
        self.engine.begin(heard or {}, self.now_s)
        self.run(0.2)
        return self

    def slot(self, parameter: Parameter, channel: str = "", bus: str = "") -> int:
        """A slot by names."""
        return self.layout.slot(
            parameter,
            self.layout.channels.index(channel) if channel else -1,
            self.layout.buses.index(bus) if bus else -1,
        )

    def send(self, channel: str, bus: str) -> int:
        return self.slot(Parameter.SEND_LEVEL, channel, bus)

    def master(self, bus: str) -> int:
        return self.slot(Parameter.BUS_MASTER, "", bus)

    def wish(self, who: int, slot: int, value: float, action: int = SET) -> Verdict:
        """A wish, with what follows at once."""
        verdict = self.engine.wish(who, slot, action, value, self.now_s)
        self.pump()
        return verdict

    def open(self, bus: str, seconds: float = 30.0) -> None:
        """The engineer opens a bus and waits until it is up."""
        self.wish(-1, self.slot(Parameter.BUS_OPEN, "", bus), 1.0)
        self.run(seconds)

    def pump(self) -> None:
        """Tell the console what it may be told."""
        engine = self.engine
        while engine.marked:
            marked, engine.marked = engine.marked, {}
            for slot, _ in sorted(marked.items(), key=lambda item: item[1]):
                value = engine.outgoing.emit(slot, self.now_s)
                if value == value:
                    self.words.append((self.now_s, slot, value))
                    if self.confirms:
                        engine.settle(slot, self.now_s)

    def run(self, seconds: float, tick_s: float = 0.02) -> None:
        """Let time pass in ticks."""
        until_s = self.now_s + seconds
        while self.now_s < until_s - 1e-9:
            self.now_s += tick_s
            self.engine.advance(self.now_s)
            self.pump()

    def told(self, slot: int) -> float:
        return self.engine.matrix.told[slot]

    def said(self, slot: int) -> list[float]:
        """All values that a slot was told."""
        return [value for _, s, value in self.words if s == slot]
