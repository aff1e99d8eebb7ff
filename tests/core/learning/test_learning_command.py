"""The command: its files, its faults, and a lesson over real OSC in a process of its own. I/O."""

from __future__ import annotations

import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import pytest
from learning_hands import BOX, MAPPINGS, PAGE, RIG, refused, sweep
from pythonosc.udp_client import SimpleUDPClient

from bridge.errors import FileError, LinkError, RigError
from bridge.learning.command import learn
from bridge.learning.entry import entry_text
from bridge.learning.map_file import add_entry, console_map, controller_map
from bridge.learning.study import Study
from bridge.maps.load import parse_map
from bridge.rig.load import load_rig

NOTE = {"parameter": "send on", "channel": "voice", "bus": 1, "message": "note", "number": 7,
        "action": "toggle"}  # fmt: skip


def free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


@pytest.fixture
def port() -> int:
    return free_port()


@pytest.fixture
def desk() -> Iterator[socket.socket]:
    """Where the console would be: whatever comes here was sent to it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind(("127.0.0.1", 0))
        sock.setblocking(False)
        yield sock


@pytest.fixture
def rig(tmp_path: Path, port: int, desk: socket.socket) -> Path:
    text = RIG.replace("{port}", str(port))
    text = text.replace("192.0.2.10:9000", f"127.0.0.1:{desk.getsockname()[1]}")
    (tmp_path / "rig.toml").write_text(text)
    (tmp_path / "box.toml").write_text(BOX)
    (tmp_path / "page.toml").write_text(PAGE)
    shutil.copy(MAPPINGS / "console-osc-position.toml", tmp_path / "desk.toml")
    return tmp_path / "rig.toml"


# -- files --------------------------------------------------------------------------------------


def studied(path: Path, number: int = 0) -> Study:
    rig = load_rig(path)
    return Study(rig, number, console_map(rig))


def test_an_entry_is_put_on_top_of_what_somebody_else_wrote_meanwhile(rig: Path) -> None:
    study = studied(rig)
    text = controller_map(study.rig, 0)
    box = rig.with_name("box.toml")
    meanwhile = BOX + "\n# Ruth was here\n"
    box.write_text(meanwhile)
    where = add_entry(study, text, entry_text("midi", NOTE))
    assert where.endswith("box.toml:27 midi.2")
    assert box.read_text() == meanwhile + "\n" + entry_text("midi", NOTE) == text.text


def test_a_clash_with_what_was_written_meanwhile_is_refused_and_the_file_stays(rig: Path) -> None:
    study = studied(rig)
    text = controller_map(study.rig, 0)
    entry = entry_text("midi", NOTE)
    rig.with_name("box.toml").write_text(BOX + entry)
    assert "note 7 on MIDI channel 1" in refused(lambda: add_entry(study, text, entry))
    assert rig.with_name("box.toml").read_text() == BOX + entry


def test_a_file_that_cannot_be_replaced_is_said_with_its_name(rig: Path) -> None:
    study = studied(rig)
    text = controller_map(study.rig, 0)
    shutil.rmtree(rig.parent)
    said = refused(lambda: add_entry(study, text, entry_text("midi", NOTE)))
    assert "box.toml" in said and "not written" in said


def test_bytes_that_are_no_text_lines_are_kept(rig: Path) -> None:
    box = rig.with_name("box.toml")
    old = b"\xef\xbb\xbf" + BOX.replace("\n", "\r\n").encode()
    box.write_bytes(old)
    study = studied(rig)
    add_entry(study, controller_map(study.rig, 0), entry_text("midi", NOTE))
    assert box.read_bytes().startswith(old)
    assert b"\xef\xbb\xbf" not in box.read_bytes()[3:]


def test_a_map_that_is_not_there_yet_begins_with_its_first_entry(rig: Path) -> None:
    study = studied(rig, 1)
    text = controller_map(study.rig, 1)
    assert not rig.with_name("ruth.toml").exists()
    add_entry(study, text, entry_text("midi", {**NOTE, "bus": "kit"}))
    made = rig.with_name("ruth.toml").read_text()
    assert parse_map(made, "ruth.toml").map.name == "ruth-box"


def test_a_map_with_only_its_head_is_a_beginning_and_a_faulty_one_is_not(rig: Path) -> None:
    box = rig.with_name("box.toml")
    box.write_text('[map]\nname = "New"\nkind = "controller"\n')
    study = studied(rig)
    add_entry(study, controller_map(study.rig, 0), entry_text("midi", NOTE))
    assert len(parse_map(box.read_text(), "box.toml").midi) == 1
    box.write_text(BOX + "[[midi]]\nnumber = 3\n")
    assert "box.toml" in refused(lambda: controller_map(study.rig, 0))


@pytest.mark.parametrize(
    ("name", "text", "part"),
    [
        ("box.toml", PAGE, "MIDI"),
        ("box.toml", BOX.replace('"controller"', '"console"'), "box.toml"),
        ("desk.toml", BOX, "a controller's map"),
        ("page.toml", "[map", "page.toml"),
    ],
)
def test_maps_that_do_not_suit_their_place_are_refused_before_the_lesson(
    rig: Path, name: str, text: str, part: str
) -> None:
    rig.with_name(name).write_text(text)
    which = {"box.toml": "ines-box"}.get(name, "tomas-page")
    with pytest.raises(FileError, match=part):
        learn(rig, controller=which)


@pytest.mark.parametrize(("wanted", "found"), [(None, "nothing"), ("nobody", "'nobody'")])
def test_which_controller_has_to_be_said_where_there_are_several(
    rig: Path, wanted: str | None, found: str
) -> None:
    with pytest.raises(RigError) as caught:
        learn(rig, controller=wanted)
    assert f"--controller: found {found}" in str(caught.value)
    assert "ines-box, ruth-box, tomas-page" in str(caught.value)


def test_a_port_that_is_taken_says_what_to_stop(rig: Path, port: int) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind(("127.0.0.1", port))
        with pytest.raises(LinkError, match="stop it first"):
            learn(rig, controller="tomas-page")


# -- a process of its own -----------------------------------------------------------------------

CODE = (
    "import sys; from pathlib import Path; from bridge.learning.command import learn; "
    "sys.exit(learn(Path(sys.argv[1]), controller=sys.argv[2]))"
)


class Process:
    """A lesson whose lines are waited for, with a guard against waiting for ever."""

    def __init__(self, rig: Path, controller: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-c", CODE, str(rig), controller],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
        self.seen: list[str] = []

    @property
    def out(self) -> IO[str]:
        assert self.process.stdout is not None
        return self.process.stdout

    def until(self, part: str) -> str:
        for line in self.out:
            self.seen.append(line)
            if part in line:
                return line
        raise AssertionError("".join(self.seen))

    def type(self, line: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(f"{line}\n")
        self.process.stdin.flush()


@pytest.fixture
def lesson(rig: Path) -> Iterator[Process]:
    before = signal.signal(signal.SIGALRM, signal.default_int_handler)
    signal.alarm(60)  # a line that never comes must not hold up everything
    process = Process(rig, "tomas-page")
    try:
        yield process
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)
        process.process.kill()
        process.process.wait()
        process.out.close()
        if process.process.stdin is not None:
            process.process.stdin.close()


def test_a_fader_is_learned_over_real_osc_and_the_console_hears_nothing(
    rig: Path, lesson: Process, port: int, desk: socket.socket
) -> None:
    hand = SimpleUDPClient("127.0.0.1", port)
    lesson.until("Move one control")
    for place in sweep(127, most=2):
        hand.send_message("/strip/9", place / 127)
    assert "stands: /strip/9 with a float, 0 to 1 (certain)" in lesson.until("This is")
    lesson.until("What shall it move?")
    lesson.type("bus master kit")
    lesson.until("The entry:")
    lesson.until("Move the control")
    hand.send_message("/strip/9", 1.0)
    assert "would move bus master of Ines to 0.0 dB" in lesson.until("would move")
    lesson.type("write")
    assert "page.toml:11 osc.1" in lesson.until("Written to")
    lesson.type("quit")
    assert lesson.process.wait(timeout=15) == 0
    text = rig.with_name("page.toml").read_text()
    assert text.startswith(PAGE)
    last = parse_map(text, "page.toml").osc[-1]
    assert (last.address, last.parameter, last.bus) == ("/strip/9", "bus master", 2)
    with pytest.raises(BlockingIOError):
        desk.recv(100)


@pytest.mark.parametrize("end", ["no more lines", "signal"])
def test_the_end_of_the_pipe_and_a_signal_end_the_lesson_and_leave_the_map(
    rig: Path, lesson: Process, end: str
) -> None:
    lesson.until("Move one control")
    if end == "signal":
        lesson.process.send_signal(signal.SIGINT)
    else:
        assert lesson.process.stdin is not None
        lesson.process.stdin.close()
        lesson.process.stdin = None
    assert lesson.process.wait(timeout=15) == 0
    assert rig.with_name("page.toml").read_text() == PAGE
