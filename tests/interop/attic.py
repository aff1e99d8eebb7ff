"""The attic of Ferry Lane: a room whose controllers and console are all on MIDI."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise

import pytest
from bridge_desk import House
from jack_desk import JackServer, PlayerMaker
from waiting import until

RIG = """
[rig]
name = "Ferry Lane, attic"

[limits]
send_ceiling_db = 0
master_ceiling_db = 0
rise_db_per_s = 30
step_db = 6
ramp_floor_db = -20

[[channel]]
id = "kick"
console = 1

[[channel]]
id = "bass"
console = 2

[[channel]]
id = "accordion"
console = 3

[[channel]]
id = "voice"
console = 4

[[bus]]
id = "kit"
console = 1
start_db = -20
auto_open = true

[[performer]]
id = "ines"
name = "Ines"
buses = ["kit"]
send_ceiling_db = -4

[[controller]]
id = "pads"
hands = "ines"
map = "pads.toml"
midi = "Pads*"

[[controller]]
id = "feet"
hands = "ines"
map = "<maps>/foot-board.toml"
midi = "Foot*"

[console]
map = "<maps>/console-midi-nrpn.toml"
midi = "Desk*"
readback = false
delay_s = 0

[daemon]
watch = "tcp://127.0.0.1:<watch>"
"""

PADS = """
[map]
name = "Pads"
kind = "controller"

[law.pad]
points = [[0, -60], [1, 0]]
off_at_bottom = true

[[midi]]
label = "7 bit"
parameter = "send level"
bus = 1
channel = 1
message = "control change"
number = 20
law = "pad"
takeover = "jump"
use = ["move", "show"]

[[midi]]
label = "14 bit"
parameter = "send level"
bus = 1
channel = 2
message = "control change 14"
number = 21
law = "pad"
takeover = "jump"

[[midi]]
label = "NRPN"
parameter = "send level"
bus = 1
channel = 3
message = "nrpn"
number = 300
law = "pad"
takeover = "jump"

[[midi]]
label = "wheel"
parameter = "send level"
bus = 1
channel = 4
message = "control change"
number = 22
action = "relative"
relative = "two's complement"
step_db = 0.5

[[midi]]
label = "scene"
parameter = "send level"
bus = 1
channel = 4
message = "program change"
number = 5
action = "set"
to = -18

[[midi]]
label = "kick in the mix"
parameter = "send on"
bus = 1
channel = 1
message = "note"
number = 60
action = "toggle"

[[midi]]
label = "all off"
parameter = "bus mute"
bus = 1
message = "note"
number = 61
action = "momentary"
"""


def change(number: int, value: int, channel: int = 1) -> bytes:
    """A control change (MIDI 1.0, Table 3)."""
    return bytes((0xB0 + channel - 1, number, value))


def pair(number: int, value: int) -> tuple[bytes, bytes]:
    """A 14-bit controller: the coarse half, then the fine one 32 above (MIDI 1.0, Table 3)."""
    return change(number, value >> 7), change(number + 32, value & 0x7F)


def nrpn(number: int, value: int) -> tuple[bytes, ...]:
    """Controllers 99 and 98 say which, 6 and 38 how much (MIDI 1.0, "Registered and
    Non-Registered Parameter Numbers")."""
    return (
        change(99, number >> 7),
        change(98, number & 0x7F),
        change(6, value >> 7),
        change(38, value & 0x7F),
    )


class Desk:
    """A MIDI console's ears: controllers by MIDI channel, put together as the standard says."""

    def __init__(self) -> None:
        self.nrpn: dict[tuple[int, int], int] = {}
        self.controls: dict[tuple[int, int], int] = {}
        self.heard: list[tuple[int, int, int]] = []

    def hear(self, messages: Sequence[bytes]) -> Desk:
        """Take messages; answers itself."""
        for message in messages:
            if message[0] & 0xF0 == 0xB0:
                self._change(message[0] % 16 + 1, message[1], message[2])
        return self

    def _change(self, channel: int, number: int, value: int) -> None:
        self.controls[channel, number] = value
        if number not in (6, 38):
            return
        which = self.controls.get((channel, 99), 127) * 128 + self.controls.get((channel, 98), 127)
        coarse = self.controls.get((channel, 6), 0)
        self.nrpn[channel, which] = value * 128 if number == 6 else coarse * 128 + value
        if number == 38:
            self.heard.append((channel, which, self.nrpn[channel, which]))

    def send_db(self, channel: int) -> float:
        """A send of bus 1: NRPN 1025 + 64 * (bus - 1) + channel - 1 in the shipped map."""
        return db(self.nrpn.get((1, 1024 + channel - 1), 0))

    def send_on(self, channel: int) -> int | None:
        """A send of bus 1 on or off: the same NRPN on MIDI channel 2."""
        return self.nrpn.get((2, 1024 + channel - 1))

    def bus_mute(self) -> int | None:
        """The mute of bus 1: controller 64 on MIDI channel 3."""
        return self.controls.get((3, 64))

    def sends_heard(self, channel: int) -> list[float]:
        """Everything said about that send, oldest first."""
        return [db(v) for midi, which, v in self.heard if (midi, which) == (1, 1023 + channel)]


LAW = ((0.0, -80.0), (0.2, -50.0), (0.6, -12.0), (0.8, 0.0), (1.0, 10.0))
"""The shipped NRPN console's law."""


def db(value: int) -> float:
    """A 14-bit travel in dB; the very bottom is off."""
    if value == 0:
        return float("-inf")
    at = value / 16383
    for (low, low_db), (high, high_db) in pairwise(LAW):
        if at <= high:
            return low_db + (at - low) / (high - low) * (high_db - low_db)
    return LAW[-1][1]


def pad_db(value: int) -> float:
    """The pads' own 7-bit law."""
    return -60 + 60 * value / 127


class Attic:
    """A bridge on MIDI with everything plugged in.

    Attributes:
        feet, pads: Controllers.
        console: The console's ears; one that is plugged in again has heard nothing yet.
    """

    NAMES = {"console": "Desk", "pads": "Pads", "feet": "Foot board"}

    def __init__(self, house: House, player: PlayerMaker) -> None:
        self._player, self._opened = player, dict.fromkeys(self.NAMES, 0)
        self.console, self.pads, self.feet = map(player, self.NAMES.values())
        house.write("pads.toml", PADS)
        self.bridge = house.run(RIG)
        for link in self.NAMES:
            self._comes(link)
        self.bridge.live()

    def plug(self, link: str) -> None:
        """Plug a device in, and wait until the bridge has it."""
        setattr(self, link, self._player(self.NAMES[link]))
        self._comes(link)

    def unplug(self, link: str) -> None:
        """Pull a device's plug, and wait until the bridge has noticed."""
        getattr(self, link).unplug()
        self.bridge.becomes(link, "lost", times=self._opened[link])

    def _comes(self, link: str) -> None:
        self._opened[link] += 1
        self.bridge.becomes(link, "open", times=self._opened[link])

    def heard(self) -> Desk:
        """What the console has made of everything so far."""
        return Desk().hear(list(self.console.got))

    def comes(self, fits: Callable[[Desk], object], what: str) -> Desk:
        """Wait until the console has heard it."""
        words = f"{what}; the log:\n{self.bridge.log}"
        until(lambda: fits(self.heard()), 15.0, words, look_s=0.02)
        return self.heard()

    def send_comes_to(self, channel: int, level_db: float) -> Desk:
        """Wait until a send is there; a step of a 7-bit fader with 60 dB of travel is 0.47 dB."""
        near = pytest.approx(level_db, abs=0.3)
        words = f"send {channel} at {level_db:.1f} dB"
        return self.comes(lambda desk: desk.send_db(channel) == near, words)

    def softer(self) -> None:
        """Press switch C of the shipped foot board: 3 dB less."""
        want = self.bridge.picture()["buses"][0]["asked"] - 3
        self.feet.play(b"\xc0\x01")
        self.bridge.shows(lambda p: p["buses"][0]["asked"] == want, "the master 3 dB down")

    def begin(self) -> None:
        """Turn the level that tests move off."""
        self.pads.play(change(20, 0))
        self.comes(lambda desk: desk.send_db(1) < -80, "the first send off")


@pytest.fixture(scope="module")
def _attic(tmp_path_factory: pytest.TempPathFactory, _jack: JackServer) -> Iterator[Attic]:
    _jack.keep_running()
    house, player = House(tmp_path_factory.mktemp("attic"), _jack.environment()), PlayerMaker(_jack)
    try:
        yield Attic(house, player)
    finally:
        house.take_down()  # before the devices: who leaves a server waits for nobody then
        player.unplug_all()


@pytest.fixture
def attic(_attic: Attic) -> Attic:
    """A bridge that runs, and its MIDI devices."""
    _attic.begin()
    return _attic
