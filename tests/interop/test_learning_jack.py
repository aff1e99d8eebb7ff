"""A lesson in a process of its own, at a MIDI device in another one, on a real JACK server."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import pytest
from jack_desk import JackServer, PlayerMaker

from bridge.maps.load import parse_map
from bridge.wire import midi_encode

pytestmark = pytest.mark.jack

MAPPINGS = Path(__file__).parents[2] / "mappings"

RIG = """
[rig]
name = "Ferry Lane, attic"
[[channel]]
id = "voice"
console = 1
[[bus]]
id = "kit"
console = 1
[[performer]]
id = "ines"
name = "Ines"
buses = ["kit"]
[[controller]]
id = "pads"
hands = "ines"
map = "pads.toml"
midi = "Learned pads*"
[console]
map = "desk.toml"
send = "udp://127.0.0.1:9"
"""

CODE = (
    "import sys; from pathlib import Path; from bridge.learning.command import learn; "
    "sys.exit(learn(Path(sys.argv[1])))"
)


@pytest.fixture
def lesson(tmp_path: Path, jack_server: JackServer) -> Iterator[subprocess.Popen[str]]:
    (tmp_path / "rig.toml").write_text(RIG)
    shutil.copy(MAPPINGS / "console-osc-position.toml", tmp_path / "desk.toml")
    process = subprocess.Popen(
        ["timeout", "60", sys.executable, "-c", CODE, str(tmp_path / "rig.toml")],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    yield process
    process.kill()
    process.wait()
    for pipe in (process.stdin, process.stdout):
        assert pipe is not None
        pipe.close()


def until(lesson: subprocess.Popen[str], part: str) -> str:
    out: IO[str] | None = lesson.stdout
    assert out is not None
    seen = []
    for line in out:
        seen.append(line)
        if part in line:
            return line
    raise AssertionError("".join(seen))


def test_a_knob_of_fourteen_bits_is_learned_from_a_real_port_into_a_new_map(
    tmp_path: Path, lesson: subprocess.Popen[str], midi_player: PlayerMaker
) -> None:
    assert lesson.stdin is not None
    until(lesson, "Move one control")
    pads = midi_player("Learned pads")
    until(lesson, "pads is there.")
    places = [*range(0, 16384, 90), *range(16383, -1, -90)]
    for place in places:
        pads.play(*midi_encode.control_change_14(3, 12, place))
    assert "controllers 12 and 44 on MIDI channel 3, 14 bit (certain)" in until(lesson, "This is")
    until(lesson, "What shall it move?")
    print("bus master\nwrite\nquit", file=lesson.stdin, flush=True)
    until(lesson, "Written to")
    assert lesson.wait(timeout=15) == 0
    (entry,) = parse_map((tmp_path / "pads.toml").read_text(), "pads.toml").midi
    assert (entry.message, entry.midi_channel, entry.number) == ("control change 14", 3, 12)
    assert not entry.lsb_first
