"""Finding MIDI ports by name, and the words between the bridge and its helper."""

from __future__ import annotations

import pytest

from bridge.links import midi_frames as frames
from bridge.links.address import MidiAddress
from bridge.links.midi import _advice, _is_message
from bridge.links.midi_names import MidiPort, chosen, listed, made_by, matching

NAMES = [
    "Foot board:Foot board MIDI 1 20:0",
    "Knobs:Knobs MIDI 1 24:0",
    "Knobs:Knobs MIDI 1 28:0",
    "foldbridge link:link 130:0",
]


def test_alsa_numbers_do_not_take_part_in_a_match() -> None:
    ports = listed("alsa", False, NAMES)
    found = chosen(ports, "Foot board:Foot board MIDI 1", 1, False)
    assert found == MidiPort("alsa", False, NAMES[0])
    assert found.plain_name == "Foot board:Foot board MIDI 1"


def test_a_name_that_only_ends_in_a_number_keeps_it() -> None:
    assert MidiPort("jack", False, "Knobs:out 1").plain_name == "Knobs:out 1"


@pytest.mark.parametrize("pattern", ["foot*", "FOOT BOARD*", "*midi 1", "f??t*", "[ef]oot*"])
def test_patterns_ignore_case(pattern: str) -> None:
    assert NAMES[0] in [p.name for p in matching(listed("alsa", False, NAMES), pattern, False)]


def test_a_pattern_has_to_fit_the_whole_name() -> None:
    assert not matching(listed("alsa", False, NAMES), "foot", False)


def test_a_port_of_the_other_direction_does_not_match() -> None:
    assert chosen(listed("alsa", True, NAMES), "foot*", 1, False) is None


def test_the_second_of_two_twins_is_the_second_in_the_list() -> None:
    ports = listed("alsa", False, NAMES)
    assert chosen(ports, "knobs*", 2, False) == MidiPort("alsa", False, NAMES[2])
    assert chosen(ports, "knobs*", 3, False) is None


def test_ports_of_equal_names_are_told_apart_by_their_place() -> None:
    ports = listed("winmm", True, ["Knobs", "Foot", "Knobs"])
    assert [(p.name, p.twin) for p in ports] == [("Knobs", 0), ("Foot", 0), ("Knobs", 1)]


def test_the_bridge_never_finds_its_own_ends() -> None:
    assert "foldbridge link:link 130:0" not in [p.name for p in listed("alsa", False, NAMES)]


@pytest.mark.parametrize(
    ("name", "own"),
    [
        ("Ferry Lane:Ferry Lane in", True),
        ("Ferry Lane-01:Ferry Lane out", True),
        ("Ferry Lane out", True),
        ("Ferry Lane 2:out", False),
        ("Ferry Lanes:out", False),
    ],
)
def test_virtual_ports_are_known_by_name(name: str, own: bool) -> None:
    assert made_by(name, "Ferry Lane") is own


def test_advice_names_what_is_there_when_nothing_matches() -> None:
    ports = listed("alsa", False, NAMES)
    assert _advice(MidiAddress("Pedal*"), ports) == (
        "no port 1 matches 'Pedal*'; there are: Foot board:Foot board MIDI 1, Knobs:Knobs MIDI 1"
    )


def test_advice_names_the_one_that_is_taken_of_several() -> None:
    ports = listed("alsa", False, NAMES)
    assert _advice(MidiAddress("Knobs*", 2), ports) == (
        "2 ports match 'Knobs*': Knobs:Knobs MIDI 1, Knobs:Knobs MIDI 1; number 2 is taken"
    )


@pytest.mark.parametrize(
    ("data", "good"),
    [
        (b"\xb0\x07\x40", True),
        (b"\xc0\x05", True),
        (b"\xfa", True),
        (b"\xf0\x7d\x01\xf7", True),  # 7D: for research and demonstration (MIDI 1.0, sysex ids)
        (b"", False),
        (b"\x07\x40", False),
        (b"\xb0\x07\x40\xb0", False),
        (b"\xb0\x80\x40", False),
        (b"\xf0\x7d\x01", False),
        (b"\xf0" + bytes(frames.MESSAGE_BYTES_MAX) + b"\xf7", False),
    ],
)
def test_only_complete_messages_go_to_a_port(data: bytes, good: bool) -> None:
    assert _is_message(data) is good


def test_frames_survive_any_cutting_of_the_stream() -> None:
    words = [
        frames.frame(frames.HEARD, 255, b"\xb0\x07\x40"),
        frames.frame(frames.PONG, 0, frames.count_body(70_000)),
        frames.frame(frames.CLOSE, 3),
    ]
    stream = frames.Frames()
    heard = [f for byte in b"".join(words) for f in stream.feed(bytes((byte,)))]
    assert heard == [
        (frames.HEARD, 255, b"\xb0\x07\x40"),
        (frames.PONG, 0, frames.count_body(70_000)),
        (frames.CLOSE, 3, b""),
    ]
    assert frames.body_count(heard[1][2]) == 70_000


def test_the_longest_frame_fits_one_atomic_write() -> None:
    assert len(frames.frame(frames.HEARD, 0, bytes(10_000))) <= 4096  # Linux pipe(7), PIPE_BUF


def test_names_that_are_no_utf8_come_back_unchanged() -> None:
    name = b"Kn\xfcppel".decode("utf-8", "surrogateescape")
    assert frames.open_wish(frames.open_body(frames.OUTPUT, 2, name)) == (frames.OUTPUT, 2, name)
