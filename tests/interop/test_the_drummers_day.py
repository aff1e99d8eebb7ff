"""One day of a drummer, from the first cable to the last song, whole and through real ports.

The bridge is a process of its own, the foot board a MIDI device in another one on JACK, the console
speaks OSC over UDP, Ruth's page too. At the end the witness judges all that the console was told.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import pytest
from bridge_desk import House
from drummers_room import BAR, A, B, C, E, Room, bar, pedal_db, travel
from jack_desk import JackServer, PlayerMaker

from bridge.rig.layout import Parameter

pytestmark = pytest.mark.jack

DRUMS, REST = ("kick", "snare"), ("voice", "bass", "accordion")


@pytest.fixture
def room(house: House, jack_server: JackServer) -> Iterator[Room]:
    player = PlayerMaker(jack_server)
    made = None
    try:
        made = Room(house, player)
        yield made
    finally:
        house.take_down()
        player.unplug_all()
        if made is not None:
            made.take_down()


def power(room: Room, channels: tuple[str, ...]) -> float:
    return math.fsum(10 ** (room.desk.send(channel) / 10) for channel in channels)


def test_the_drummers_day(room: Room) -> None:
    _the_desk_stood_loud_and_the_masters_come_down_first(room)
    _ruth_opens(room)
    _ines_picks_the_pedal_up(room)
    _ines_against_the_rest(room)
    _the_click(room)
    _a_long_press_dims(room)
    _a_short_press_asks_and_a_double_one_recalls(room)
    _the_ceiling_holds_and_the_light_says_so(room)
    _the_console_goes_and_comes_back(room)
    _silence(room)
    expected = room.expected()
    assert room.bridge.end() == 0
    assert "Traceback" not in room.bridge.log
    findings = room.desk.judged(expected)
    assert findings.ok, findings.text()
    assert findings.words > 100


def _the_desk_stood_loud_and_the_masters_come_down_first(room: Room) -> None:
    for bus in ("kit", "front"):
        room.comes(lambda bus=bus: room.desk.master(bus) < -60.0, f"{bus} to be low")  # type: ignore[misc]
    assert [bus["state"] for bus in room.bridge.picture()["buses"]] == ["closed", "closed"]
    room.lights(turn=1, bar_at=bar(-30.0))


def _ruth_opens(room: Room) -> None:
    room.ruth("/mix/1/open", 1)
    room.state("open")
    room.master_comes_to(-30.0)
    assert room.desk.send("kick") == pytest.approx(-15.0, abs=0.05)
    assert room.desk.master("front") < -60.0, "nobody has opened that one"


def _ines_picks_the_pedal_up(room: Room) -> None:
    since = len(room.desk.lines)
    room.pedal(2, 0, 12, 24)  # heel down and up to -34 dB: the mix stands at -30
    room.pedal(45, 60, 64)
    room.master_comes_to(pedal_db(64))
    told = room.desk.told(room.desk.slot(Parameter.BUS_MASTER), since)
    assert min(told) > -30.0, "it moved the mix before it had met it"
    room.lights(turn=1, bar_at=bar(pedal_db(64)))


def _ines_against_the_rest(room: Room) -> None:
    sum_before = power(room, DRUMS + REST)
    room.press(A)
    room.lights(turn=2, bar_at=bar(-15.0))
    room.pedal(70, 76, 82, 86)  # up to, past, and beyond where the bass drum stands
    want = pedal_db(86)
    room.comes(lambda: -0.05 < room.desk.send("kick") - want <= 0.01, f"the kick at {want:.2f} dB")
    for channel, before_db in (("voice", -18.0), ("bass", -15.0), ("accordion", -20.0)):
        assert room.desk.send(channel) < before_db - 0.5
    assert room.desk.send("kick") - room.desk.send("snare") == pytest.approx(3.0, abs=0.1)
    assert 10 * math.log10(power(room, DRUMS + REST) / sum_before) == pytest.approx(0.0, abs=0.1)
    assert room.desk.send("click") == pytest.approx(-20.0, abs=0.05)
    room.master_comes_to(pedal_db(64))
    room.lights(turn=2, bar_at=bar(want))


def _the_click(room: Room) -> None:
    room.press(A)
    room.lights(turn=3, bar_at=bar(-20.0))
    room.pedal(80, 66, 62, 55)
    want = pedal_db(55)
    room.comes(lambda: -0.05 < room.desk.send("click") - want <= 0.01, f"the click at {want:.2f}")
    room.lights(turn=3, bar_at=bar(want))


def _a_long_press_dims(room: Room) -> None:
    room.hold(B, lambda: room.state("dimmed"))
    room.master_comes_to(pedal_db(64) - 20.0)
    room.comes(lambda: room.light(B), "the light above switch B")
    room.hold(B, lambda: room.comes(lambda: not room.light(B), "the light above B to go out"))
    room.state("open")
    room.master_comes_to(pedal_db(64))


def _a_short_press_asks_and_a_double_one_recalls(room: Room) -> None:
    room.press(B)
    asked = "ines-feet: Ines: ask of Voice in Ines to on: taken"
    room.bridge.shows(lambda picture: asked in picture["verdicts"], asked)
    assert room.bridge.picture()["buses"][0]["state"] == "open", "it dimmed as well"
    assert room.desk.send("kick") > -14.0, "it recalled as well"
    room.press(B, times=2)
    room.bridge.says("As at the soundcheck")
    room.master_comes_to(-20.0)
    for channel, level_db in (("kick", -15.0), ("voice", -18.0), ("click", -20.0)):
        near = pytest.approx(level_db, abs=0.05)
        room.comes(lambda c=channel, n=near: room.desk.send(c) == n, channel)  # type: ignore[misc]


def _the_ceiling_holds_and_the_light_says_so(room: Room) -> None:
    room.hold(A, lambda: room.lights(turn=1, bar_at=bar(-20.0)))
    since = len(room.desk.lines)
    room.pedal(55, 64, 90, 127)
    room.bridge.says("bus master of Ines to 0.0 dB: limited, stands at -10.0 dB: your limit is")
    room.master_comes_to(-10.0)
    assert max(room.desk.told(room.desk.slot(Parameter.BUS_MASTER), since)) <= -10.0
    room.lights(turn=1, bar_at=bar(-10.0))


def _the_console_goes_and_comes_back(room: Room) -> None:
    room.rests()
    since = len(room.desk.lines)
    room.desk.restart_loud(down_s=4.0)
    room.bridge.says("console lost: nothing rises until it answers again")
    room.board.play(bytes((0x91, C, 64)), bytes((0x81, C, 64)))  # a little more of the drums
    room.bridge.says("the console does not answer, so nothing may rise")
    room.bridge.says("console live", times=2)
    room.master_comes_to(-10.0)
    for channel, level_db in (("kick", -15.0), ("voice", -18.0), ("click", -20.0)):
        near = pytest.approx(level_db, abs=0.05)
        room.comes(lambda c=channel, n=near: room.desk.send(c) == n, channel)  # type: ignore[misc]
    assert max(room.desk.told(room.desk.slot(Parameter.BUS_MASTER), since)) <= -10.0
    room.pedal(travel(-9.0), travel(-16.0))  # it has to be met again, and comes down
    room.master_comes_to(pedal_db(travel(-16.0)))


def _silence(room: Room) -> None:
    room.press(E)
    room.comes(lambda: room.desk.master() < -60.0, "silence")
    room.state("silenced")
    room.comes(lambda: room.light(E), "the light above switch E")
    room.press(E)  # only Ruth ends it
    room.pedal(travel(-20.0))  # what is asked moves on; it is the sign that the press was heard
    room.comes(lambda: room.display(BAR) == bar(pedal_db(travel(-20.0))), "the bar to move")
    assert room.desk.master() < -60.0
    room.ruth("/quiet", 0)
    room.state("open")
    room.master_comes_to(pedal_db(travel(-20.0)))
    room.comes(lambda: not room.light(E), "the light above switch E to go out")
