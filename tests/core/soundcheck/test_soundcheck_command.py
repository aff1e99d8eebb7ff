"""The command: its list, its withdrawals, its keys, and one run as a process of its own. I/O."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import IO

import pytest
from sound_stage import BY_HAND, STAGE, mark
from support.whole import MAPPINGS

from bridge import cli
from bridge.rig.load import load_rig
from bridge.soundcheck.marks import with_mark
from bridge.soundcheck.marks_file import change_marks, load_marks
from bridge.soundcheck.terminal import LINE_BYTES_MAX, SAID_MAX, Voice, read_lines

Said = pytest.CaptureFixture[str]
QUICK = STAGE.replace("rise_db_per_s = 12", "rise_db_per_s = 40\nstep_db = 6")


def free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("127.0.0.1", 0))
        return int(taken.getsockname()[1])


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "stage.toml"
    console = str(MAPPINGS / "console-osc-position.toml")
    here = f"udp://127.0.0.1:{free_port()}"
    path.write_text(QUICK.replace("none.toml", console).replace("udp://192.0.2.10:9000", here))
    return path


def test_the_list_shows_marks_and_suggestions_and_runs_nothing(rig: Path, capsys: Said) -> None:
    rig.with_name("stage.marks.toml").write_text(BY_HAND)
    assert cli.main(["soundcheck", str(rig), "--list"]) == 0
    out = capsys.readouterr().out
    assert "voice/kit rang at -8.5 dB at 2500 Hz" in out and "equaliser of kit" in out
    assert cli.main(["soundcheck", str(rig), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["marks"][0]["in_force"] is True


def test_a_withdrawal_takes_the_mark_out_of_force_and_keeps_it(rig: Path, capsys: Said) -> None:
    marks = rig.with_name("stage.marks.toml")
    marks.write_text(BY_HAND)
    assert cli.main(["soundcheck", str(rig), "--withdraw", "voice/kit"]) == 0
    assert "withdrawn = true" in marks.read_text() and "# the loud one" in marks.read_text()
    assert cli.main(["soundcheck", str(rig), "--withdraw", "voice/kit"]) == 2
    assert "no mark in force for voice/kit" in capsys.readouterr().err


@pytest.mark.parametrize("pair", ["voice", "voice/", "/kit", ""])
def test_a_withdrawal_of_no_pair_is_refused(rig: Path, pair: str, capsys: Said) -> None:
    assert cli.main(["soundcheck", str(rig), "--withdraw", pair]) == 2
    assert "expected CHANNEL/BUS, as voice/kit" in capsys.readouterr().err


def test_a_damaged_marks_file_stops_the_command_before_anything_runs(
    rig: Path, capsys: Said
) -> None:
    marks = rig.with_name("stage.marks.toml")
    marks.write_text("[[mark]]\nlevel_db = 1")
    assert cli.main(["soundcheck", str(rig)]) == 2
    assert f"{marks}:1 mark.0.channel" in capsys.readouterr().err
    assert marks.read_text() == "[[mark]]\nlevel_db = 1"


@pytest.mark.parametrize("arguments", [[], ["--list"]])
def test_a_rig_without_a_stage_is_told_what_it_lacks(
    rig: Path, arguments: list[str], capsys: Said
) -> None:
    text = rig.read_text()
    rig.write_text(text[: text.index("[stage]")])
    assert cli.main(["soundcheck", str(rig), *arguments]) == 2
    assert "expected [stage], [[microphone]] and [[loudspeaker]]" in capsys.readouterr().err


def test_a_name_that_cannot_be_shown_is_refused_at_once(rig: Path, capsys: Said) -> None:
    assert cli.main(["soundcheck", str(rig), "--by", "a\nb"]) == 2
    assert capsys.readouterr().err.startswith("--by: found")


# -- keys ---------------------------------------------------------------------------------------


def heard(data: bytes) -> list[str | None]:
    """What arrives of bytes that are typed, until the end."""

    async def main() -> list[str | None]:
        loop, lines = asyncio.get_running_loop(), asyncio.Queue[str | None](2)
        ours, theirs = os.pipe()
        os.write(theirs, data)
        os.close(theirs)
        reader = loop.run_in_executor(None, read_lines, ours, lines, loop)
        found: list[str | None] = []
        while not found or found[-1] is not None:
            found.append(await lines.get())
        await reader
        os.close(ours)
        return found

    return asyncio.run(main())


def test_lines_arrive_whole_in_order_and_then_the_end() -> None:
    assert heard(b"go\n\nring 100\nqui") == ["go", "", "ring 100", None]
    assert heard(b"") == [None]
    assert heard(b"\xff\xfe\n") == ["\ufffd\ufffd", None]


def test_more_lines_than_wait_are_not_lost_and_a_long_one_is_cut() -> None:
    assert heard(b"go\n" * 500) == ["go"] * 500 + [None]
    assert heard(b"x" * 20_000 + b"\n") == ["x" * LINE_BYTES_MAX, None]


def test_where_nobody_can_read_everything_goes_down_once() -> None:
    calls: list[str] = []

    async def main() -> None:
        ours, theirs = os.pipe()
        os.close(ours)
        gone = asyncio.Event()

        def down() -> None:
            calls.append("down")
            gone.set()

        voice = Voice(theirs, down)
        for _ in range(3):
            voice.say("anybody there?")
        async with asyncio.timeout(10):
            await gone.wait()
        voice.end()
        os.close(theirs)

    asyncio.run(main())
    assert calls == ["down"]


def test_a_terminal_that_is_held_up_holds_up_nobody_and_at_last_all_goes_down() -> None:
    calls: list[str] = []

    async def main() -> bytes:
        ours, theirs = os.pipe()
        voice = Voice(theirs, lambda: calls.append("down"))
        for _ in range(10):
            voice.say("x" * 100_000)  # more than a pipe takes: the thread waits, this does not
        assert not calls
        for _ in range(SAID_MAX):
            voice.say("still there?")
        assert calls == ["down"]
        return await asyncio.to_thread(os.read, ours, 10)

    assert asyncio.run(main()) == b"x" * 10


# -- a process of its own -----------------------------------------------------------------------


class Process:
    """A command whose lines are waited for, with a guard against waiting for ever."""

    def __init__(self, *arguments: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "bridge.cli", *arguments],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
        self.seen: list[str] = []

    @property
    def out(self) -> IO[str]:
        assert self.process.stdout is not None
        return self.process.stdout

    def until(self, part: str) -> None:
        for line in self.out:
            self.seen.append(line)
            if part in line:
                return
        raise AssertionError("".join(self.seen))

    def type(self, line: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(f"{line}\n")
        self.process.stdin.flush()

    def ended(self) -> int:
        return self.process.wait(timeout=15)


@pytest.fixture
def processes(rig: Path) -> Iterator[tuple[Process, Process]]:
    desk = Process("simulate", str(rig))
    check = Process("soundcheck", str(rig), "--by", "Ruth")
    before = signal.signal(signal.SIGALRM, signal.default_int_handler)
    signal.alarm(60)  # a line that never comes must not hold up everything
    try:
        yield desk, check
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)
        for each in (desk, check):
            each.process.kill()
            each.process.wait()
            each.out.close()
            if each.process.stdin is not None:
                each.process.stdin.close()


@pytest.mark.parametrize("end", ["signal", "no more keys"])
def test_a_soundcheck_at_a_real_console_keeps_its_mark_and_ends_in_silence(
    rig: Path, processes: tuple[Process, Process], end: str
) -> None:
    _, check = processes
    for wait, word in (("`go` to test it", "go"), ("`go` raises it", "go"), ("now -2", "ring 1k")):
        check.until(wait)
        check.type(word)
    check.until("Marked: accordion in Ines rang at")
    if end == "signal":
        check.process.send_signal(signal.SIGINT)
    else:
        assert check.process.stdin is not None
        check.process.stdin.close()
        check.process.stdin = None
    assert check.ended() == 0, "".join(check.seen) + check.out.read()
    rest = check.out.read()
    assert "Silence: every mix is off" in rest and "not confirmed" not in rest
    (kept,) = load_marks(load_rig(rig))
    assert (kept.channel, kept.bus) == (1, 0) and -31.0 < kept.effective_db < -15.0


def test_a_console_that_never_answers_is_waited_for_and_left_cleanly(rig: Path) -> None:
    check = Process("soundcheck", str(rig))
    check.until("The console has not been read yet")
    check.type("silence")
    check.type("quit")
    assert check.ended() == 0
    check.out.close()
    assert check.process.stdin is not None
    check.process.stdin.close()


def test_marks_kept_before_are_passed_over_by_the_next_run(rig: Path, capsys: Said) -> None:
    change_marks(load_rig(rig), partial(with_mark, mark=mark(-9.0)))
    assert cli.main(["soundcheck", str(rig), "--list"]) == 0
    out = capsys.readouterr().out
    assert "voice/kit rang at -9.0 dB" in out
    assert "Not tested: accordion/kit, accordion/front, voice/front." in out
