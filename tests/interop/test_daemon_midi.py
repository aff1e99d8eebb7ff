"""A running bridge between MIDI devices in other processes, on a real JACK server."""

from __future__ import annotations

import signal
import time

import pytest
from attic import PADS, RIG, Attic, change, nrpn, pad_db, pair
from bridge_desk import House
from jack_desk import JackServer, PlayerMaker
from waiting import until

pytestmark = pytest.mark.jack

WAIT_S = 15.0
OTHER_RIG = RIG.replace('"Pads*"', '"Other pads*"').replace('"Desk*"', '"Other desk*"')
"""For bridges of their own, while the shared one has its devices."""

ON, OFF = 127 << 7, 0
"""A switch as the shipped NRPN console says it: 7 bits, in the coarse half."""


def test_every_kind_of_message_comes_out_in_the_consoles_words(attic: Attic) -> None:
    before = len(attic.heard().sends_heard(1))
    attic.pads.play(change(20, 127))  # 7 bit, full up: 0 dB
    attic.pads.play(*pair(21, 8192))  # 14 bit, the middle: -30 dB
    attic.pads.play(*nrpn(300, 12288))  # three quarters: -15 dB
    attic.pads.play(b"\xc0\x05")  # -18 dB
    told = attic.send_comes_to(1, -4).sends_heard(1)[before:]  # Ines's own ceiling
    assert max(told) < -3.99
    assert len([level for level in told if -20 < level < -4]) > 5, "no ramp"
    attic.send_comes_to(2, -30)
    attic.send_comes_to(3, -15)
    attic.send_comes_to(4, -18)
    attic.bridge.says("pads: Ines: send level of kick in kit to 0.0 dB: limited, stands at -4.0 dB")
    attic.pads.play(change(22, 10))  # ten clicks of half a dB up
    attic.send_comes_to(4, -13)
    attic.pads.play(change(22, 128 - 6))  # two's complement
    attic.send_comes_to(4, -16)


def test_notes_are_switches_and_the_shipped_foot_board_works_beside_them(attic: Attic) -> None:
    attic.comes(lambda desk: desk.send_on(1) == ON, "the send to be on")
    attic.pads.play(b"\x90\x3c\x64", b"\x80\x3c\x00")
    attic.comes(lambda desk: desk.send_on(1) == OFF, "the send to be off")
    attic.pads.play(b"\x90\x3c\x64", b"\x90\x3c\x00")  # note on without velocity is note off
    attic.comes(lambda desk: desk.send_on(1) == ON, "the send to be on again")
    attic.pads.play(b"\x90\x3d\x7f")
    attic.comes(lambda desk: desk.bus_mute() == 127, "the mute while it is held")
    attic.pads.play(b"\x80\x3d\x40")
    attic.comes(lambda desk: desk.bus_mute() == 0, "the end of the mute")
    attic.softer()


def test_what_no_map_knows_and_halves_of_messages_do_no_harm(attic: Attic) -> None:
    attic.pads.play(b"\xf8", b"\xf0\x7d\x00\xf7", change(99, 1), change(6, 3), b"\xe0\x00\x40")
    attic.pads.play(change(20, 64))
    attic.send_comes_to(1, pad_db(64))
    attic.bridge.says("means nothing in pads.toml (from now on only counted)")


def test_a_controller_is_shown_the_levels_and_follows_its_plug(attic: Attic) -> None:
    until(lambda: attic.pads.got, WAIT_S, "the lamps at the start")
    attic.pads.play(change(20, 64))
    attic.send_comes_to(1, pad_db(64))
    attic.unplug("pads")
    attic.softer()  # the others go on
    attic.plug("pads")
    lamp = {change(20, 63), change(20, 64)}  # a level is shown rounded down
    until(lambda: lamp & set(attic.pads.got), WAIT_S, "the lamps after the return")
    attic.pads.play(change(20, 96))
    attic.send_comes_to(1, pad_db(96))
    assert "Traceback" not in attic.bridge.log


def test_a_key_held_while_the_plug_comes_out_does_not_become_a_long_press(attic: Attic) -> None:
    attic.feet.play(b"\x90\x3c\x7f")  # switch A: held for 1.5 s it mutes the bus
    attic.softer()  # so it has been heard
    pressed_s = time.monotonic()
    attic.unplug("feet")
    attic.plug("feet")
    until(lambda: time.monotonic() > pressed_s + 1.7, WAIT_S, "a long press to have come by now")
    assert attic.bridge.picture()["buses"][0]["state"] == "open"
    for state in ("dimmed", "open"):  # a short press still dims
        attic.feet.play(b"\x90\x3c\x7f", b"\x80\x3c\x00")
        attic.bridge.shows(lambda p: p["buses"][0]["state"] == state, state)  # noqa: B023


def test_a_console_that_is_unplugged_gets_nothing_louder_by_itself(attic: Attic) -> None:
    attic.pads.play(change(20, 64))
    attic.send_comes_to(1, pad_db(64))
    attic.unplug("console")
    attic.bridge.says("console lost: nothing rises until it answers again")
    attic.pads.play(change(20, 127))
    attic.bridge.says("the console does not answer, so nothing may rise")
    attic.plug("console")
    attic.bridge.says("console live", times=2)
    attic.pads.play(change(20, 32))  # down
    desk = attic.send_comes_to(1, pad_db(32))
    assert max(desk.sends_heard(1)) < pad_db(64) + 0.3, "it rose while the console was away"


def test_devices_that_come_after_the_bridge_are_found_and_named_until_then(
    house: House, midi_player: PlayerMaker
) -> None:
    house.write("pads.toml", PADS)
    bridge = house.run(OTHER_RIG)
    bridge.says("console: no port 1 matches 'Other desk*'; there are: ")
    bridge.says("pads: no port 1 matches 'Other pads*'")
    desk, pads = midi_player("Other desk"), midi_player("Other pads")
    bridge.becomes("console", "open")
    bridge.becomes("pads", "open")
    bridge.live()
    pads.play(change(20, 32))
    bridge.shows(lambda p: p["buses"][0]["sends"][0]["told"] is not None, "the level")
    until(lambda: desk.got, WAIT_S, "words at the console")
    assert bridge.end() == 0


def test_the_end_leaves_the_driver_in_order(
    house: House, midi_player: PlayerMaker, jack_server: JackServer
) -> None:
    """A service manager sends SIGTERM to the bridge's helpers too (systemd.kill, KillMode)."""
    midi_player("Other desk")
    before = jack_server.ports()
    house.write("pads.toml", PADS)
    bridge = house.run(OTHER_RIG)
    bridge.becomes("console", "open")
    bridge.signal_all(signal.SIGTERM)
    assert bridge.ended() == 0
    assert bridge.lines[-1].endswith("stopped; the console is left as it is")
    assert "MIDI helper jack ended" not in bridge.log
    assert sorted(jack_server.ports()) == sorted(before)


def test_the_stand_in_of_a_midi_console_is_found_and_read(
    house: House, midi_player: PlayerMaker
) -> None:
    text = OTHER_RIG.replace("readback = false\n", "").replace("delay_s = 0", "")
    pads = midi_player("Other pads")
    house.write("pads.toml", PADS)
    house.simulate(text)
    bridge = house.run(text)
    bridge.becomes("pads", "open")
    bridge.live()
    pads.play(change(20, 64))
    want = pytest.approx(pad_db(64), abs=0.1)
    bridge.shows(lambda p: p["buses"][0]["sends"][0]["told"] == want, "the level")
    assert bridge.end() == 0  # before its devices: who leaves a server waits for nobody then
