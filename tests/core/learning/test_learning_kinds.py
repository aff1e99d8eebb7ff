"""Every kind of MIDI control is told by its bytes, from our own encoders and from mido's. Pure."""

from __future__ import annotations

import mido
import pytest
from learning_hands import controls, guessed, heard, sweep, trembling

from bridge.learning.finding import Ask, Sure
from bridge.learning.guess import guess
from bridge.learning.watch import Direction
from bridge.wire import midi_encode as say


def test_a_fader_of_seven_bits_is_absolute() -> None:
    found = guessed(controls(7, sweep(127, most=3))).findings[0]
    assert (found.kind, found.sure) == ("absolute", Sure.CERTAIN)
    assert found.keys == {"message": "control change", "midi_channel": 1, "number": 7}


def test_a_movement_over_a_part_of_the_way_is_less_sure() -> None:
    found = guessed(controls(7, sweep(100, most=3, low=60))).findings[0]
    assert (found.kind, found.sure) == ("absolute", Sure.LIKELY)


def test_a_fader_that_does_not_reach_its_ends_is_told_with_its_range() -> None:
    found = guessed(controls(7, sweep(121, most=2, low=3))).findings[0]
    assert found.kind == "absolute" and (found.went, found.ends) == ((3, 121), (0, 127))


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("ends", [(0, 127), (40, 90), (60, 70), (0, 30), (110, 127)])
def test_the_tremble_of_a_cheap_potentiometer_never_makes_it_relative(
    seed: int, ends: tuple[int, int]
) -> None:
    places = trembling(sweep(ends[1], most=3, low=ends[0], seed=seed), seed)
    found = guessed(controls(7, places)).findings[0]
    assert found.kind == "absolute" or found.sure is Sure.UNSURE


@pytest.mark.parametrize("around", [1, 2, 62, 63, 64, 65, 66, 125, 126])
def test_a_potentiometer_that_only_trembles_is_asked_to_go_farther_or_up(around: int) -> None:
    found = guessed(controls(7, [around, around + 1] * 20))
    assert found.findings[0].sure is Sure.UNSURE
    assert found.ask in (Ask.FARTHER, Ask.UP)
    watch = heard(controls(7, [around, around + 1] * 20))
    heard(controls(7, sweep(127, most=2)), watch=watch, direction=Direction.UP)
    then = guess(watch).findings[0]
    assert (then.kind, then.sure) == ("absolute", Sure.CERTAIN)


@pytest.mark.parametrize(("message", "encode"), [("nrpn", say.nrpn), ("rpn", say.rpn)])
def test_parameters_of_fourteen_bits_are_told_with_their_number(
    message: str, encode: object
) -> None:
    assert callable(encode)
    found = guessed([encode(3, 300, value) for value in sweep(16383, most=300)]).findings[0]
    assert (found.kind, found.sure) == ("absolute", Sure.CERTAIN)
    assert found.keys == {"message": message, "midi_channel": 3, "number": 300}


def test_a_parameter_whose_fine_half_comes_first_is_told() -> None:
    said = []
    for value in sweep(16383, most=300):
        *chosen, coarse, fine = say.nrpn(1, 5, value)
        said.append((*chosen, fine, coarse))
    assert guessed(said).findings[0].keys["lsb_first"] is True


def test_a_parameter_without_fine_halves_has_seven_bits() -> None:
    said = [say.nrpn(1, 5, value << 7)[:3] for value in sweep(127, most=3)]
    assert guessed(said).findings[0].keys["bits"] == 7


def test_a_parameter_chosen_once_for_a_whole_movement_is_told() -> None:
    places = sweep(16383, most=300)
    said = [say.nrpn(1, 77, places[0]), *(say.nrpn(1, 77, value)[2:] for value in places[1:])]
    found = guessed(said).findings[0]
    assert found.keys == {"message": "nrpn", "midi_channel": 1, "number": 77}


def test_a_parameter_in_steps_is_relative() -> None:
    said = [say.nrpn_step(2, 77, 1)] * 5 + [say.nrpn_step(2, 77, -1)] * 5
    found = guessed(said).findings[0]
    assert (found.kind, found.sure) == ("relative", Sure.CERTAIN)
    assert found.keys["message"] == "nrpn" and found.keys["action"] == "relative"


def test_pitch_bend_is_a_fader_of_fourteen_bits_for_mido_as_for_us() -> None:
    ours = [say.pitch_bend(4, value) for value in sweep(16383, most=200)]
    theirs = [
        (bytes(mido.Message("pitchwheel", channel=3, pitch=value - 8192).bytes()),)
        for value in sweep(16383, most=200)
    ]
    assert ours == theirs
    found = guessed(theirs).findings[0]
    assert found.keys == {"message": "pitch bend", "midi_channel": 4}
    assert (found.kind, found.sure) == ("absolute", Sure.CERTAIN)


def test_channel_pressure_is_absolute() -> None:
    said = [
        (bytes(mido.Message("aftertouch", channel=1, value=value).bytes()),)
        for value in sweep(127, most=5)
    ]
    found = guessed(said).findings[0]
    assert found.keys == {"message": "channel pressure", "midi_channel": 2}
    assert (found.kind, found.sure) == ("absolute", Sure.CERTAIN)


def test_a_program_change_is_a_press() -> None:
    said = [(bytes(mido.Message("program_change", channel=0, program=9).bytes()),)] * 3
    found = guessed(said, gap_s=0.5).findings[0]
    assert (found.kind, found.sure) == ("press", Sure.CERTAIN)
    assert found.keys == {"message": "program change", "midi_channel": 1, "number": 9}


# -- what is heard besides ----------------------------------------------------------------------


def test_clocks_and_signs_of_life_are_no_control() -> None:
    noise: list[tuple[bytes, ...]] = [(b"\xf8",), (b"\xfe",), (b"\xf1\x20",)] * 100
    found = guessed([*noise, *controls(7, sweep(127, most=3)), *noise])
    assert found.findings[0].keys["number"] == 7 and found.notes == ()


def test_another_control_that_trembles_is_left_out_and_named() -> None:
    moved = controls(7, sweep(127, most=3))
    said = [(*one, say.control_change(1, 9, 64 + n % 2)[0]) for n, one in enumerate(moved)]
    found = guessed(said)
    assert found.findings[0].keys["number"] == 7
    assert any("controller 9" in note and "trembles" in note for note in found.notes)


def test_a_fader_that_says_a_touch_as_well_is_the_fader_and_the_touch_can_be_chosen() -> None:
    said = [say.note(1, 104, 127)]
    said += [say.pitch_bend(1, value) for value in sweep(16383, most=300)]
    said += [say.note(1, 104, 0)]
    found = guessed(said)
    assert found.findings[0].keys["message"] == "pitch bend"
    assert any(one.keys["message"] == "note" for one in found.findings[1:])


@pytest.mark.parametrize(
    ("said", "part"),
    [
        ((b"\xa0\x3c\x40",), "pressure of note 60"),
        ((b"\xb0\x7b\x00",), "channel mode message 123"),
        ((b"\xf0\x7d\x01\x02\xf7",), "system exclusive F0 7D 01"),
    ],
)
def test_what_no_map_can_use_is_said_and_is_no_finding(said: tuple[bytes, ...], part: str) -> None:
    found = guessed([said])
    assert found.findings == () and any(part in note for note in found.notes)
