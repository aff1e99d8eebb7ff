"""The cellar of Ferry Lane: rigs, and one bridge that several tests play on."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from bridge_desk import House
from liblo_desk import OscDump, Send, program_of_liblo
from waiting import until

ROOM = """
[rig]
name = "Ferry Lane, cellar"

[limits]                     # quick ramps, from close by, so that a test is short
send_ceiling_db = 0
master_ceiling_db = 0
rise_db_per_s = 30
step_db = 3
ramp_floor_db = -30

[[channel]]
id = "accordion"
console = "accordion"

[[channel]]
id = "voice"
console = "voice"

[[bus]]
id = "kit"
console = "kit"
start_db = -28
auto_open = true
start_mix = { accordion = -28 }

[[performer]]
id = "ines"
name = "Ines"
buses = ["kit"]
send_ceiling_db = -3

[engineer]
name = "Ruth"

[[controller]]
id = "tablet"
hands = "ines"
map = "<maps>/tablet.toml"
listen = "udp://127.0.0.1:<tablet>"
source = "127.0.0.1"
reply = "udp://127.0.0.1:<shown>"

[daemon]
watch = "tcp://127.0.0.1:<watch>"
"""

CONSOLE = """
[console]
map = "<maps>/console-osc-names.toml"
send = "udp://127.0.0.1:<console>"
readback = false
delay_s = 0
"""

READ_CONSOLE = """
[console]
map = "<maps>/console-osc-position.toml"
send = "udp://127.0.0.1:<console>"
listen = "udp://127.0.0.1:<heard>"
delay_s = 0.02
"""

ENGINEER = """
[[controller]]
id = "page"
hands = "engineer"
map = "<maps>/engineer-panel.toml"
listen = "udp://127.0.0.1:<page>"
source = "127.0.0.1"
reply = "udp://127.0.0.1:<page-shown>"
"""

RIG = ROOM + CONSOLE
"""A console that only listens, told in dB and names."""

READ_RIG = (
    ROOM.replace('console = "accordion"', "console = 7")
    .replace('console = "voice"', "console = 8")
    .replace('console = "kit"', "console = 3")
    + READ_CONSOLE
)
"""A console that answers, told in travel and numbers."""

ACCORDION = "/mix/kit/accordion fs "
"""How the shipped names console hears of a level; the rest of the line is the level and "dB"."""

START_DB, OFF_DB = -28.0, -100.0
"""Where the rig begins; what that console takes for off."""


def travel(level_db: float) -> float:
    """The shipped tablet's law, [[0, -60], [0.5, -15], [1, 5]], the other way round."""
    low = level_db <= -15
    return (level_db + 60) / 45 * 0.5 if low else 0.5 + (level_db + 15) / 20 * 0.5


def desk_db(position: float) -> float:
    """The shipped position console's law from -60 to 0 dB: [[0.1, -60], [0.4, -25], [0.75, 0]]."""
    if position <= 0.4:
        return -60 + (position - 0.1) / 0.3 * 35
    return -25 + (position - 0.4) / 0.35 * 25


def levels(dump: OscDump, word: str = ACCORDION) -> list[float]:
    """The number in every message that begins with a word, oldest first."""
    return [float(line.split()[2]) for line in dump.messages if line.startswith(word)]


def comes_to(dump: OscDump, level: float, word: str = ACCORDION) -> list[float]:
    """Wait until the newest number under a word is this one; answers all of them."""
    until(
        lambda: levels(dump, word)[-1:] == [pytest.approx(level, abs=0.05)],
        15,
        f"{word}{level}; there was {levels(dump, word)[-20:]}",
    )
    return levels(dump, word)


class Cellar:
    """A running bridge; liblo is its console, its tablet and its engineer's page.

    Attributes:
        desk: What the console hears.
        tablet: What Ines's tablet is shown.
        page: What the engineer's page is shown.
    """

    def __init__(self, house: House, send: Send) -> None:
        program = program_of_liblo("oscdump")
        self.desk, self.tablet, self.page = (OscDump(program, "udp") for _ in range(3))
        ports = {"console": self.desk, "shown": self.tablet, "page-shown": self.page}
        house.ports |= {name: dump.port for name, dump in ports.items()}
        self._house, self._send = house, send
        self.bridge = house.run(RIG + ENGINEER)
        self.bridge.live()

    def touch(self, address: str, tags: str, *values: object) -> None:
        """Move something on the tablet, with oscsend."""
        self._send(self.tablet_port, address, tags, *values)

    def direct(self, address: str, tags: str, *values: object) -> None:
        """Move something on the engineer's page."""
        self._send(self._house.ports["page"], address, tags, *values)

    @property
    def tablet_port(self) -> int:
        """Where the bridge hears the tablet."""
        return self._house.ports["tablet"]

    def begin(self) -> None:
        """Bring the level that tests move back to its start."""
        self.direct("/mix/1/of/1/level", "f", travel(START_DB))
        comes_to(self.desk, START_DB)

    def take_down(self) -> None:
        for dump in (self.desk, self.tablet, self.page):
            dump.stop()


@pytest.fixture(scope="module")
def _cellar(tmp_path_factory: pytest.TempPathFactory, oscsend: Send) -> Iterator[Cellar]:
    house = House(tmp_path_factory.mktemp("cellar"))
    try:
        made = Cellar(house, oscsend)
        yield made
        made.take_down()
    finally:
        house.take_down()


@pytest.fixture
def cellar(_cellar: Cellar) -> Cellar:
    """A bridge that runs, its level at the start."""
    _cellar.begin()
    return _cellar
