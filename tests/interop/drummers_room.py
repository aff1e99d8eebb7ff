"""Room 1 of Ferry Lane: the shipped drummer's rig, a bridge in its process, and all around it.

The console is a stand-in on UDP in a thread of its own, so that the test may wait; it records what
it is told. The foot board is a MIDI device in another process, on JACK; Ruth's page speaks OSC.
"""

from __future__ import annotations

import asyncio
import shutil
import socket
import threading
import time
from collections.abc import Callable, Coroutine
from typing import Any

from bridge_desk import MAPPINGS, House
from jack_desk import MidiPlayer, PlayerMaker
from pythonosc.udp_client import SimpleUDPClient
from waiting import until

from bridge.house import console_words
from bridge.loading import load
from bridge.rig.layout import Parameter
from bridge.simulator.facts import Road, facts_from
from bridge.simulator.findings import Findings
from bridge.simulator.recording import header_of, note, settled
from bridge.simulator.server import Console
from bridge.simulator.stand_in import StandIn
from bridge.simulator.witness import judge

WAIT_S = 15.0
BOARD = "Turning board"
ROAD = Road(delay_s=0.25, news_s=2.6)
"""Programs on a machine that runs other tests as well; a silent console is missed after 1 s, by two
questions at most."""

PORTS = {"9381": "tablet", "9481": "tablet-shown", "9382": "page", "9482": "page-shown",
         "9383": "console", "9384": "heard", "9385": "watch"}  # fmt: skip

LEVELS = (Parameter.SEND_LEVEL, Parameter.BUS_MASTER, Parameter.CHANNEL_FADER)

A, B, C, D, E = range(40, 45)
"""The switches of the board, by their notes."""

BAR, DIGIT = 12, 13
"""The board's displays, by their controllers."""


def rig_text() -> str:
    """The shipped rig on free ports, with quick ramps so that a test is short."""
    text = (MAPPINGS / "rigs" / "drummer.toml").read_text("utf-8")
    for number, name in PORTS.items():
        assert text.count(number) == 1
        text = text.replace(number, f"<{name}>")
    text = text.replace("rise_db_per_s = 8", "rise_db_per_s = 30\nstep_db = 3")
    return text.replace('"../', '"<maps>/').replace('"Foot*"', f'"{BOARD}*"')


def travel(level_db: float) -> int:
    """Where the pedal stands for a level: -40 to 0 dB between the dead 3 % at both ends."""
    return round(127 * (0.03 + 0.94 * (level_db + 40) / 40))


def pedal_db(value: int) -> float:
    """The other way round."""
    return min(0.0, max(-40.0, 40 * (value / 127 - 0.03) / 0.94 - 40))


def bar(level_db: float) -> int:
    """What the bar shows for a level: 127 steps for 40 dB, rounded down."""
    return int(127 * (level_db + 40) / 40 + 1e-9)


class Desk:
    """The console: a stand-in with loud levels from last night, and what it records."""

    def __init__(self, house: House, text: str) -> None:
        self.rig, maps = load(house.rig(text))
        words = maps[self.rig.file.console.map]
        far = console_words(self.rig, words, at_console=True)
        layout = self.rig.layout
        loud = {slot: 6.0 for parameter in LEVELS for slot in layout.slots(parameter)}
        self.lines: list[dict[str, Any]] = []
        self.stand_in = StandIn(far, layout, self.lines.append, power_on=loud)
        near = console_words(self.rig, words)
        self.lines.append(header_of(facts_from(self.rig, near, self.stand_in.values, ROAD)))
        self.lines[0]["at"] = time.monotonic()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._thread.start()
        self.console = Console(self.stand_in)
        self.wait_for(self.console.listen_udp("127.0.0.1", house.ports["console"]))

    def wait_for(self, work: Coroutine[Any, Any, Any]) -> Any:
        """Run something in the console's own thread."""
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(WAIT_S)

    def do(self, act: Callable[[float], Any]) -> Any:
        """Do something in the console's own thread; it gets the time."""

        async def work() -> Any:
            return act(self._loop.time())

        return self.wait_for(work())

    def note(self, text: str) -> None:
        """Write a note into the recording."""
        self.do(lambda now_s: self.lines.append(note(now_s, text)))

    def slot(self, parameter: Parameter, channel: str = "", bus: str = "kit") -> int:
        layout = self.rig.layout
        number = layout.channels.index(channel) if channel else -1
        return layout.slot(parameter, number, layout.buses.index(bus))

    def master(self, bus: str = "kit") -> float:
        """What it holds, dB."""
        return self.stand_in.values[self.slot(Parameter.BUS_MASTER, bus=bus)]

    def send(self, channel: str) -> float:
        """What it holds in Ines's mix, dB."""
        return self.stand_in.values[self.slot(Parameter.SEND_LEVEL, channel)]

    def told(self, slot: int, since: int = 0) -> list[float]:
        """All that it was told about a level since some line, oldest first."""
        said = [line for line in self.lines[since:] if line["what"] == "told"]
        words = [line["value"] for line in said if line["slot"] == slot]
        return [float("-inf") if word == "off" else float(word) for word in words]

    def restart_loud(self, down_s: float) -> None:
        """Somebody trips over its mains cable; it comes back as it was last night."""
        self.do(lambda now_s: self.stand_in.restart(now_s, down_s=down_s))

    def judged(self, expected: dict[int, float]) -> Findings:
        """What the witness says of it all, the levels at the end included."""
        self.do(lambda now_s: self.lines.append(settled(now_s, expected)))
        return judge(list(self.lines))

    def close(self) -> None:
        self.do(lambda _: self.console.close())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(5)
        self._loop.close()


class Room:
    """A bridge that runs, Ines's feet, Ruth's page, and the console."""

    def __init__(self, house: House, player: PlayerMaker) -> None:
        self._player = player
        self._shown = [socket.socket(socket.AF_INET, socket.SOCK_DGRAM) for _ in range(2)]
        for name, listener in zip(("tablet-shown", "page-shown"), self._shown, strict=True):
            listener.bind(("127.0.0.1", 0))  # somebody is there: nothing comes back as unreachable
            house.ports[name] = listener.getsockname()[1]
        text = rig_text()
        self.desk = Desk(house, text)
        folder = house.folder / "rig.presets"
        shutil.copytree(MAPPINGS / "rigs" / "drummer.presets", folder)
        self.board: MidiPlayer = player(BOARD)
        self.bridge = house.run(text)
        self._ruth = SimpleUDPClient("127.0.0.1", house.ports["page"])
        self._plugged = 0
        self._comes()
        self.bridge.shows(lambda picture: picture["console"] == "live", "the console to be read")

    # -- hands -------------------------------------------------------------------------------------

    def ruth(self, address: str, value: float) -> None:
        """The engineer touches her page."""
        self.desk.note("person")
        self.desk.note("allowed_open")
        self._ruth.send_message(address, value)

    def pedal(self, *values: int) -> None:
        """The pedal moves through places of its own travel."""
        self.desk.note("person")
        self.board.play(*(bytes((0xB1, 11, value)) for value in values))

    def down(self, switch: int) -> None:
        self.desk.note("person")
        self.board.play(bytes((0x91, switch, 64)))

    def up(self, switch: int) -> None:
        self.board.play(bytes((0x81, switch, 64)))

    def press(self, switch: int, times: int = 1) -> None:
        """Press a switch shortly; several times are as quick as the board can say them."""
        self.desk.note("person")
        self.board.play(*[bytes((kind, switch, 64)) for _ in range(times) for kind in (0x91, 0x81)])

    def hold(self, switch: int, until_it_shows: Callable[[], object]) -> None:
        """Keep a foot on a switch until something shows."""
        self.down(switch)
        until_it_shows()
        self.up(switch)

    def unplug(self) -> None:
        self.board.unplug()
        self.bridge.becomes("ines-feet", "lost", times=self._plugged)

    def plug(self) -> None:
        self.board = self._player(BOARD)
        self._comes()

    def _comes(self) -> None:
        self._plugged += 1
        self.bridge.becomes("ines-feet", "open", times=self._plugged)

    # -- what can be seen --------------------------------------------------------------------------

    def display(self, number: int) -> int | None:
        """What a display of the board shows."""
        got = [data[2] for data in list(self.board.got) if data[:2] == bytes((0xB1, number))]
        return got[-1] if got else None

    def light(self, note_number: int) -> bool | None:
        """Whether a light of the board is on."""
        got = [d[2] for d in list(self.board.got) if d[:2] == bytes((0x91, note_number))]
        return bool(got[-1]) if got else None

    def lights(self, *, turn: int, bar_at: int) -> None:
        """Wait until the board shows a turn, and a level of it."""

        def seen() -> tuple[int | None, int | None, list[bool | None]]:
            row = [self.light(number) for number in (50, 51, 52)]
            return self.display(DIGIT), self.display(BAR), row

        want = (turn, bar_at, [number == turn for number in (1, 2, 3)])
        self.comes(lambda: seen() == want, f"{want} on the board")

    def comes(self, fits: Callable[[], object], what: str) -> None:
        """Wait until something is so."""
        try:
            until(fits, WAIT_S, what, look_s=0.02)
        except AssertionError as error:
            raise AssertionError(f"{error}\n{self._story()}") from None

    def _story(self) -> str:
        """What there is to know when something has not come."""
        picture, got = self.bridge.picture(), [data.hex(" ") for data in self.board.got[-12:]]
        links = [
            " ".join(f"{key} {value}" for key, value in one.items()) for one in picture["links"]
        ]
        said = [*links, *picture["verdicts"][-3:], f"board: {got}", self.bridge.log]
        return "\n".join(said)

    def master_comes_to(self, level_db: float, bus: str = "kit") -> None:
        def near() -> bool:
            return abs(self.desk.master(bus) - level_db) < 0.002  # a float32 travel, no ramp's end

        self.comes(near, f"the master of {bus} at {level_db:.2f} dB")

    def rests(self, bus: int = 0) -> None:
        """Wait until every level of a mix is where it goes, and the console has said so."""

        def still(picture: dict[str, Any]) -> bool:
            mix = picture["buses"][bus]
            levels = [mix, *mix["sends"]]
            return not picture["unanswered"] and all(one["asked"] == one["told"] for one in levels)

        self.bridge.shows(still, "every level to have arrived")

    def state(self, state: str, bus: int = 0) -> None:
        self.bridge.shows(lambda picture: picture["buses"][bus]["state"] == state, state)

    def expected(self) -> dict[int, float]:
        """What the bridge says that it told last: what the console should hold."""
        picture, layout = self.bridge.picture(), self.desk.rig.layout
        found = {}
        for bus, one in enumerate(picture["buses"]):
            found[layout.slot(Parameter.BUS_MASTER, bus=bus)] = one["told"]
            for channel, send in enumerate(one["sends"]):
                found[layout.slot(Parameter.SEND_LEVEL, channel, bus)] = send["told"]
        return {s: float("-inf") if level is None else level for s, level in found.items()}

    def take_down(self) -> None:
        """After the bridge: who leaves a JACK server waits for nobody then."""
        self.desk.close()
        for listener in self._shown:
            listener.close()
