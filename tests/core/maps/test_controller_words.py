"""A controller's words: what its controls mean, and what it is shown. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from bridge.errors import MapError
from bridge.maps.controller import FLIP, SET, STEP, ConsoleNames, ControllerWords, Move
from bridge.maps.load import parse_map
from bridge.maps.model import MapFile
from bridge.rig.layout import Layout, Parameter
from bridge.units import OFF
from bridge.wire import osc

Shipped = Callable[[str], MapFile]
HEAD = '[map]\nname = "test"\nkind = "controller"\n'


def words(text: str, layout: Layout) -> ControllerWords:
    return ControllerWords(parse_map(HEAD + text, "test.toml"), layout)


def short(moves: list[Move]) -> list[tuple[int, int, float]]:
    return [(move.slot, move.action, move.value) for move in moves]


def test_an_expression_pedal_sets_the_own_master(shipped: Shipped, layout: Layout) -> None:
    board = ControllerWords(shipped("foot-board"), layout, ConsoleNames.own(layout, (1,)))
    master = layout.slot(Parameter.BUS_MASTER, bus=1)
    assert board.decode(b"\xb0\x0b\x7f", 0.0) == [Move(0, master, SET, 0.0, 1.0)]
    assert board.decode(b"\xb0\x0b\x00", 0.0) == [Move(0, master, SET, -40.0, 0.0)]
    pedal = board.controls[0]
    assert (pedal.label, pedal.takeover, pedal.slots) == ("pedal", "pickup", (master,))
    assert pedal.law is not None
    assert pedal.law.position(-20.0) == 0.5
    assert not pedal.feedback


def test_a_short_press_acts_on_release(shipped: Shipped, layout: Layout) -> None:
    board = ControllerWords(shipped("foot-board"), layout)
    dim = layout.slot(Parameter.BUS_DIM, bus=0)
    assert board.decode(b"\x90\x3c\x40", 5.0) == []
    assert board.next_wake_s() == 6.5
    assert board.advance(6.4) == []
    assert short(board.decode(b"\x80\x3c\x40", 6.4)) == [(dim, FLIP, 0.0)]
    assert board.next_wake_s() == math.inf


def test_a_long_press_acts_while_held_and_once(shipped: Shipped, layout: Layout) -> None:
    board = ControllerWords(shipped("foot-board"), layout)
    mute = layout.slot(Parameter.BUS_MUTE, bus=0)
    board.decode(b"\x90\x3c\x01", 5.0)
    assert short(board.advance(6.5)) == [(mute, FLIP, 0.0)]
    assert board.next_wake_s() == math.inf
    assert board.advance(9.0) == []
    assert board.decode(b"\x90\x3c\x00", 9.0) == []


def test_a_long_press_counts_when_time_was_not_told(shipped: Shipped, layout: Layout) -> None:
    board = ControllerWords(shipped("foot-board"), layout)
    mute = layout.slot(Parameter.BUS_MUTE, bus=0)
    board.decode(b"\x90\x3c\x01", 5.0)
    assert short(board.decode(b"\x90\x3c\x00", 9.0)) == [(mute, FLIP, 0.0)]
    assert board.advance(9.0) == []


def test_a_long_press_is_no_short_one_after_a_reconnect(shipped: Shipped, layout: Layout) -> None:
    board = ControllerWords(shipped("foot-board"), layout)
    board.decode(b"\x90\x3c\x01", 5.0)
    board.clear()
    assert board.advance(9.0) == []
    assert board.decode(b"\x90\x3c\x00", 9.0) == []
    assert board.unknown == 0


def test_a_momentary_switch_is_on_while_held(shipped: Shipped, layout: Layout) -> None:
    board = ControllerWords(shipped("foot-board"), layout)
    dim = layout.slot(Parameter.BUS_DIM, bus=0)
    assert short(board.decode(b"\xb0\x40\x7f", 0.0)) == [(dim, SET, 1.0)]
    assert short(board.decode(b"\xb0\x40\x7f", 0.1)) == []
    assert short(board.decode(b"\xb0\x40\x40", 0.1)) == []
    assert short(board.decode(b"\xb0\x40\x3f", 0.2)) == [(dim, SET, 0.0)]
    assert short(board.decode(b"\xb0\x40\x00", 0.2)) == []


def test_programs_step_and_set(shipped: Shipped, layout: Layout) -> None:
    board = ControllerWords(shipped("foot-board"), layout)
    master = layout.slot(Parameter.BUS_MASTER, bus=0)
    for _ in range(2):
        assert short(board.decode(b"\xc0\x01", 0.0)) == [(master, STEP, -3.0)]
        assert short(board.decode(b"\xc0\x02", 0.0)) == [(master, SET, -20.0)]
    assert board.decode(b"\xc0\x03", 0.0) == []
    assert (board.unknown, board.last_unknown) == (1, "C0 03")


def test_a_tablet_moves_and_is_shown(shipped: Shipped, layout: Layout) -> None:
    tablet = ControllerWords(shipped("tablet"), layout, ConsoleNames.own(layout, (2,)))
    slot = layout.slot(Parameter.SEND_LEVEL, 1, 2)
    (move,) = tablet.decode(osc.encode("/my/2/level", "f", (0.5,)), 0.0)
    assert (move.slot, move.action, move.value) == (slot, SET, -15.0)
    control = tablet.controls[move.control]
    assert (control.label, control.takeover) == ("send level of accordion in front", "jump")
    assert control.feedback
    assert tablet.feedback(slot, -15.0) == (osc.encode("/my/2/level", "f", (0.5,)),)
    assert tablet.feedback(slot, OFF) == (osc.encode("/my/2/level", "f", (0.0,)),)
    assert tablet.feedback(layout.slot(Parameter.SEND_LEVEL, 1, 0), 0.0) == ()


def test_a_pattern_moves_a_row(shipped: Shipped, layout: Layout) -> None:
    tablet = ControllerWords(shipped("tablet"), layout)
    row = [(layout.slot(Parameter.SEND_LEVEL, channel, 0), SET, 5.0) for channel in range(4)]
    assert short(tablet.decode(osc.encode("/my/*/level", "f", (1.0,)), 0.0)) == row
    assert short(tablet.decode(osc.encode("/my/[2-3]/level", "f", (1.0,)), 0.0)) == row[1:3]
    assert short(tablet.decode(osc.encode("/my/*/level", "f", (1.0,)), 0.0)) == row
    assert tablet.unknown == 0


def test_a_pattern_that_means_nothing_is_counted(shipped: Shipped, layout: Layout) -> None:
    tablet = ControllerWords(shipped("tablet"), layout)
    head = b"/my/[3-1]/level\0,f\0\0"
    assert tablet.decode(head + b"\x3f\x80\0\0", 0.0) == []
    assert tablet.unknown == 1
    assert tablet.last_unknown.startswith("/my/[3-1]/level")


def test_a_pattern_of_too_many_addresses_moves_nothing(shipped: Shipped) -> None:
    large = Layout(tuple(f"in{number}" for number in range(1100)), ("kit",))
    tablet = ControllerWords(shipped("tablet"), large)
    assert tablet.decode(osc.encode("/my/*/level", "f", (1.0,)), 0.0) == []
    assert tablet.last_unknown == "/my/*/level means 1100 addresses, at most 1024 may"


def test_a_message_without_a_value_is_a_press(shipped: Shipped, layout: Layout) -> None:
    tablet = ControllerWords(shipped("tablet"), layout)
    master = layout.slot(Parameter.BUS_MASTER, bus=0)
    for _ in range(2):
        assert short(tablet.decode(osc.encode("/my/softer"), 0.0)) == [(master, STEP, -2.0)]


def test_a_wheel_counts_clicks(shipped: Shipped, layout: Layout) -> None:
    tablet = ControllerWords(shipped("tablet"), layout)
    master = layout.slot(Parameter.BUS_MASTER, bus=0)
    assert short(tablet.decode(osc.encode("/my/wheel", "i", (-4,)), 0.0)) == [(master, STEP, -2.0)]
    assert tablet.decode(osc.encode("/my/wheel", "i", (0,)), 0.0) == []
    assert tablet.unknown == 0
    for clicks in (128, -128):
        assert tablet.decode(osc.encode("/my/wheel", "i", (clicks,)), 0.0) == []
    assert tablet.decode(osc.encode("/my/wheel", "f", (math.inf,)), 0.0) == []
    assert tablet.unknown == 3


def test_knobs_step_in_their_coding(shipped: Shipped, layout: Layout) -> None:
    box = ControllerWords(shipped("knob-box"), layout)
    send = layout.slot(Parameter.SEND_LEVEL, 2, 0)
    group = layout.slot(Parameter.GROUP, 0)
    assert short(box.decode(b"\xb1\x12\x43", 0.0)) == [(send, STEP, 1.5)]
    assert short(box.decode(b"\xb1\x12\x3f", 0.0)) == [(send, STEP, -0.5)]
    assert box.decode(b"\xb1\x12\x40", 0.0) == []
    assert short(box.decode(b"\xb1\x18\x41", 0.0)) == [(group, STEP, -0.5)]
    assert box.unknown == 0


def test_data_increment_steps(shipped: Shipped, layout: Layout) -> None:
    box = ControllerWords(shipped("knob-box"), layout)
    master = layout.slot(Parameter.BUS_MASTER, bus=0)
    said = [b"\xb1\x63\x00", b"\xb1\x62\x4d", b"\xb1\x60\x00", b"\xb1\x61\x00"]
    moves = [move for data in said for move in box.decode(data, 0.0)]
    assert short(moves) == [(master, STEP, 0.25), (master, STEP, -0.25)]
    assert box.unknown == 0


def test_a_ring_of_lamps_has_its_own_message(shipped: Shipped, layout: Layout) -> None:
    box = ControllerWords(shipped("knob-box"), layout)
    send = layout.slot(Parameter.SEND_LEVEL, 2, 0)
    assert box.feedback(send, 6.0) == (b"\xb2\x12\x7f",)
    assert box.feedback(send, OFF) == (b"\xb2\x12\x00",)
    assert box.decode(b"\xb2\x12\x7f", 0.0) == []
    knob = next(control for control in box.controls if send in control.slots)
    assert (knob.action, knob.takeover, knob.step_db, knob.feedback) == ("relative", "", 0.5, True)


def test_keys_flip_and_light(shipped: Shipped, layout: Layout) -> None:
    pad = ControllerWords(shipped("key-pad"), layout)
    silence = layout.slot(Parameter.SILENCE)
    freeze = layout.slot(Parameter.FREEZE)
    bus = layout.slot(Parameter.BUS_OPEN, bus=2)
    for note, slot in ((36, silence), (37, freeze), (42, bus)):
        assert short(pad.decode(bytes((0x99, note, 1)), 0.0)) == [(slot, FLIP, 0.0)]
        assert pad.feedback(slot, 1.0) == (bytes((0x99, note, 127)),)
        assert pad.feedback(slot, 0.0) == (bytes((0x99, note, 0)),)


def test_a_bend_is_a_fader(shipped: Shipped, layout: Layout) -> None:
    pad = ControllerWords(shipped("key-pad"), layout)
    master = layout.slot(Parameter.BUS_MASTER, bus=1)
    (move,) = pad.decode(b"\xe1\x7f\x7f", 0.0)
    assert (move.slot, move.value, move.position) == (master, 0.0, 1.0)
    assert pad.controls[move.control].takeover == "scaled"


BUTTON = """
[[osc]]
parameter = "bus mute"
bus = 2
address = "/tap"
type = "T"
action = "toggle"
"""


def test_a_press_that_comes_twice_flips_once(layout: Layout) -> None:
    button = words(BUTTON, layout)
    mute = layout.slot(Parameter.BUS_MUTE, bus=1)
    down, up = osc.encode("/tap", "T", (True,)), osc.encode("/tap", "F", (False,))
    told = [short(button.decode(data, 0.0)) for data in (down, down, up, up, down)]
    assert told == [[(mute, FLIP, 0.0)], [], [], [], [(mute, FLIP, 0.0)]]


def test_a_button_without_release_flips_every_time(layout: Layout) -> None:
    button = words(BUTTON + "releases = false\n", layout)
    down = osc.encode("/tap", "T", (True,))
    assert [len(button.decode(down, 0.0)) for _ in range(3)] == [1, 1, 1]


def test_one_control_may_move_a_group(layout: Layout) -> None:
    text = """
[[midi]]
parameter = "group"
group = "band"
message = "control change 14"
number = 5
law = { from_db = -60, to_db = 6 }
"""
    fader = words(text, layout)
    slot = layout.slot(Parameter.GROUP, 0)
    moves = [move for data in (b"\xb0\x05\x7f", b"\xb0\x25\x7f") for move in fader.decode(data, 0)]
    assert all(move.slot == slot for move in moves)
    assert moves[-1].value == 6.0
    assert moves[0].value <= 6.0


def test_rubbish_moves_nothing(shipped: Shipped, layout: Layout) -> None:
    tablet = ControllerWords(shipped("tablet"), layout)
    for number, data in enumerate([b"", b"#bundle\0", b"/my/1/level\0,f\0\0", b"\xff" * 64], 1):
        assert tablet.decode(data, 0.0) == []
        assert tablet.unknown == number
    loud = osc.encode("/my/1/level", "f", (2.0,))
    assert tablet.decode(loud, 0.0) == []
    assert tablet.last_unknown == "send level of drums in kit: 2.0"


def test_a_bus_that_is_not_ones_own_cannot_be_named(shipped: Shipped, layout: Layout) -> None:
    with pytest.raises(MapError) as caught:
        ControllerWords(shipped("foot-board"), layout, ConsoleNames.own(layout, ()))
    assert "foot-board.toml:8 midi.0: found no bus 1, there is none" in str(caught.value)
