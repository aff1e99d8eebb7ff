"""The commands: what they print and how they exit, run in this process. I/O."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from support.checked import MAPPINGS, RIG
from support.told import without_more

from bridge import cli
from bridge.house import console_words
from bridge.links import midi
from bridge.links.address import MidiAddress
from bridge.loading import load
from bridge.rig.layout import Parameter
from bridge.simulate import Simulation, far_port, until_signal

DEMO = MAPPINGS / "rigs" / "demo.toml"
Said = pytest.CaptureFixture[str]
Word = tuple[int, float]


@pytest.fixture
def busy() -> Iterator[int]:
    """A UDP port of this machine that is taken."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("127.0.0.1", 0))
        yield taken.getsockname()[1]


@pytest.fixture
def free() -> int:
    """A UDP port of this machine that was free a moment ago."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("127.0.0.1", 0))
        return int(taken.getsockname()[1])


def written(folder: Path, text: str) -> str:
    path = folder / "house.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def alone(text: str = RIG) -> str:
    """The rig without controllers and watchers: its console's ports only."""
    head, _, rest = text.partition("[[controller]]")
    return head + rest[rest.index("[console]") : rest.index("[daemon]")]


def console_at(port: int, text: str) -> str:
    return text.replace("udp://192.0.2.10:9000", f"udp://127.0.0.1:{port}").replace(
        '\nlisten = "udp://:9001"', ""
    )


# -- arguments ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["--version"], 0),
        (["--help"], 0),
        (["check", "--help"], 0),
        ([], 2),
        (["fly"], 2),
        (["check"], 2),
        (["schema", "song"], 2),
        (["simulate", "rig.toml", "--loss", "many"], 2),
    ],
)
def test_arguments_that_end_it_at_once(arguments: list[str], code: int, capsys: Said) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main(arguments)
    assert ended.value.code == code


@pytest.mark.parametrize("command", ["run", "demo", "check", "simulate", "watch"])
def test_a_rig_that_is_not_there_is_an_error_that_names_it(
    command: str, tmp_path: Path, capsys: Said
) -> None:
    path = tmp_path / "house.toml"
    assert cli.main([command, str(path)]) == 2
    said = capsys.readouterr()
    told = without_more(said.err)
    assert told == f"{path}: found No such file or directory, expected a readable file\n"
    assert said.out == ""


@pytest.mark.parametrize("command", ["run", "check", "simulate"])
def test_a_wrong_rig_is_an_error_with_a_line_for_each_fault(
    command: str, tmp_path: Path, capsys: Said
) -> None:
    path = written(tmp_path, RIG.replace("master_ceiling_db = 0", "master_ceiling_db = 99\nx = 1"))
    assert cli.main([command, path]) == 2
    told = without_more(capsys.readouterr().err)
    assert told.splitlines() == [
        f"{path}:4 limits.master_ceiling_db: found 99, expected less than or equal to 20",
        f"{path}:5 limits.x: found 1, expected no such key",
    ]


# -- check --------------------------------------------------------------------------------------


def test_check_of_a_sound_rig_is_0_strict_or_not(tmp_path: Path, capsys: Said) -> None:
    path = written(tmp_path, RIG)
    assert [cli.main(["check", path]), cli.main(["check", path, "--strict"])] == [0, 0]
    assert capsys.readouterr().out.count("no warnings") == 2


def test_check_with_warnings_is_1_only_when_strict(tmp_path: Path, capsys: Said) -> None:
    path = written(tmp_path, RIG.replace("[daemon]", "readback = false\n[daemon]"))
    assert [cli.main(["check", path]), cli.main(["check", path, "--strict"])] == [0, 1]
    said = capsys.readouterr()
    assert said.out.count("1 warning\n") == 2 and "warning: " in said.out and said.err == ""


def test_check_as_json_is_the_report(tmp_path: Path, capsys: Said) -> None:
    path = written(tmp_path, RIG.replace("[daemon]", "readback = false\n[daemon]"))
    assert cli.main(["check", path, "--json", "--strict"]) == 1
    data = json.loads(capsys.readouterr().out)
    assert len(data["warnings"]) == 1 and data["rig"] == "Ferry Lane, room 2"
    assert {"parameter", "of", "bus", "set", "read", "moved_by"} <= data["cells"][0].keys()


def test_check_of_a_wrong_address_is_2(tmp_path: Path, capsys: Said) -> None:
    path = written(tmp_path, RIG.replace("udp://:9371", "udp//:9371"))
    assert cli.main(["check", path, "--json"]) == 2
    said = capsys.readouterr()
    assert said.out == "" and "controller.0.listen: found udp//:9371, expected udp://" in said.err


# -- run ----------------------------------------------------------------------------------------


def test_run_on_a_busy_port_is_2_and_says_which(tmp_path: Path, busy: int, capsys: Said) -> None:
    path = written(tmp_path, alone().replace("udp://:9001", f"udp://127.0.0.1:{busy}"))
    assert cli.main(["run", path]) == 2
    said = capsys.readouterr().err
    assert f"port {busy}" in said and said.startswith("console: ")


def test_run_with_a_wrong_address_is_2(tmp_path: Path, capsys: Said) -> None:
    path = written(tmp_path, alone().replace("udp://:9001", "udp://:none"))
    assert cli.main(["run", path]) == 2
    line = alone().split("listen = ")[0].count("\n") + 1
    expected = f"{path}:{line} console.listen: found udp://:none; expected udp://host:port"
    assert capsys.readouterr().err.startswith(expected)


# -- simulate and witness -----------------------------------------------------------------------


def test_simulate_ends_by_a_signal_and_leaves_a_recording_that_can_be_judged(
    tmp_path: Path, free: int, capsys: Said
) -> None:
    path = written(tmp_path, console_at(free, alone()))
    record = tmp_path / "record.jsonl"
    simulation = Simulation(Path(path))
    said: list[str] = []

    def ready(where: str) -> None:
        said.append(where)
        os.kill(os.getpid(), signal.SIGTERM)

    asyncio.run(until_signal(simulation, ready, record))
    assert said == [f"udp://127.0.0.1:{free}"]
    assert cli.main(["witness", str(record)]) == 0
    assert "every promise kept: 0 words" in capsys.readouterr().out


async def _told(simulation: Simulation, port: int, record: Path, *words: Word) -> None:
    """Be a bridge that tells the stand-in, word by word, and waits for each answer."""
    loop, stop, opened = asyncio.get_running_loop(), asyncio.Event(), asyncio.Event()
    rig, maps = load(simulation.path)
    language = console_words(rig, maps[rig.file.console.map])
    task = loop.create_task(simulation.run(stop, lambda _: opened.set(), record))
    await opened.wait()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as hand:
        hand.setblocking(False)
        await loop.sock_connect(hand, ("127.0.0.1", port))
        for slot, value in words:
            for data in language.encode(slot, value):
                await loop.sock_sendall(hand, data)
            answer = await asyncio.wait_for(loop.sock_recv(hand, 8192), 5.0)
            assert language.decode(answer)[0][0] == slot
    stop.set()
    await task


def master(simulation: Simulation, bus: int) -> int:
    return simulation.rig.layout.slot(Parameter.BUS_MASTER, -1, bus)


@pytest.fixture
def simulation(tmp_path: Path, free: int) -> Simulation:
    return Simulation(Path(written(tmp_path, console_at(free, alone()))))


@pytest.mark.parametrize(
    ("level_db", "code", "said"),
    [
        (-60.0, 0, "every promise kept: 1 words"),
        (-10.0, 1, "slew: bus master of kit: rose from -60.00 to"),
        (5.0, 1, "ceiling: bus master of kit: told 5.0"),
    ],
)
def test_the_witness_judges_what_the_stand_in_was_told(
    simulation: Simulation, free: int, level_db: float, code: int, said: str, tmp_path: Path,
    capsys: Said,
) -> None:  # fmt: skip
    record = tmp_path / "record.jsonl"
    asyncio.run(_told(simulation, free, record, (master(simulation, 0), level_db)))
    assert cli.main(["witness", str(record)]) == code
    assert said in capsys.readouterr().out


def test_a_bus_may_open_at_the_stand_in_without_word_of_who_opened_it(
    simulation: Simulation, free: int, tmp_path: Path, capsys: Said
) -> None:
    layout, record = simulation.rig.layout, tmp_path / "record.jsonl"
    low = [(master(simulation, bus), -70.0) for bus in range(2)]
    cells = [(slot, float("-inf")) for slot in layout.slots(Parameter.SEND_LEVEL)]
    cells += [(slot, 0.0) for slot in layout.slots(Parameter.SEND_TAP)]
    opening = (master(simulation, 1), -59.5)
    asyncio.run(_told(simulation, free, record, *low, *cells, opening))
    assert cli.main(["witness", str(record)]) == 0
    assert "every promise kept: 11 words" in capsys.readouterr().out


def test_a_bus_that_opens_before_its_sends_are_out_is_a_breach(
    simulation: Simulation, free: int, tmp_path: Path, capsys: Said
) -> None:
    low = [(master(simulation, bus), -70.0) for bus in range(2)]
    record, opening = tmp_path / "record.jsonl", (master(simulation, 1), -59.5)
    asyncio.run(_told(simulation, free, record, *low, opening))
    assert cli.main(["witness", str(record)]) == 1
    assert "opened before all its sends and taps went out" in capsys.readouterr().out


@pytest.mark.parametrize("loss", ["-0.1", "0.51", "nan"])
def test_a_loss_that_cannot_be_is_2(tmp_path: Path, loss: str, capsys: Said) -> None:
    assert cli.main(["simulate", written(tmp_path, alone()), f"--loss={loss}"]) == 2
    told, more = capsys.readouterr().err.splitlines()
    assert told == f"--loss: found {float(loss)}; expected 0 to 0.5"
    assert more == "more: foldbridge explain link-simulated"


def test_a_loss_on_a_stream_is_2(tmp_path: Path, capsys: Said) -> None:
    path = written(tmp_path, alone().replace("udp://192.0.2.10:9000", "tcp://127.0.0.1:9000"))
    assert cli.main(["simulate", path, "--loss", "0.1"]) == 2
    assert "a TCP link loses nothing" in capsys.readouterr().err


def test_simulate_on_a_busy_port_is_2_and_says_where(
    tmp_path: Path, busy: int, capsys: Said
) -> None:
    path = written(tmp_path, console_at(busy, alone()))
    assert cli.main(["simulate", path]) == 2
    said = capsys.readouterr()
    line = (tmp_path / "house.toml").read_text().split("send = ")[0].count("\n") + 1
    assert said.err.startswith(f"{path}:{line} console.send: udp://127.0.0.1:{busy}: ")
    assert "stop what uses this port" in said.err and said.out == ""


def test_a_recording_that_cannot_be_written_is_2(tmp_path: Path, free: int, capsys: Said) -> None:
    path = written(tmp_path, console_at(free, alone()))
    assert cli.main(["simulate", path, "--record", str(tmp_path)]) == 2
    assert capsys.readouterr().err.startswith(f"--record: {tmp_path}: Is a directory; ")


@pytest.mark.parametrize(
    ("pattern", "port"),
    [
        ("Desk*", MidiAddress("Desk", virtual=True)),
        ("midi:Des[ck] ?*@2", MidiAddress("Des", virtual=True)),
        ("*", MidiAddress("Console stand-in", virtual=True)),
        ("midi-virtual:Bridge", MidiAddress("Bridge*")),
    ],
)
def test_the_stand_in_takes_the_port_that_the_bridge_looks_for(
    pattern: str, port: MidiAddress
) -> None:
    assert far_port(pattern, "house.toml:1 console.midi") == port


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (None, "No such file or directory"),
        (b"", "found nothing, expected a header"),
        (b"{}\n", "recording line 1: found None, version None"),
        (b"not json\n", "recording line 1: found 'not json\\n', expected a JSON object"),
        (b"\xff\xfe\n", "invalid start byte"),
    ],
)
def test_what_is_no_recording_is_2(
    data: bytes | None, found: str, tmp_path: Path, capsys: Said
) -> None:
    path = tmp_path / "record.jsonl"
    if data is not None:
        path.write_bytes(data)
    assert cli.main(["witness", str(path)]) == 2
    said = capsys.readouterr()
    assert said.err.startswith(f"{path}: ") and found in said.err and said.out == ""


# -- watch and ports ----------------------------------------------------------------------------


def test_watch_needs_to_know_where(tmp_path: Path, capsys: Said) -> None:
    assert cli.main(["watch"]) == 2
    assert "found neither a rig nor --at, expected one of them" in capsys.readouterr().err
    assert cli.main(["watch", written(tmp_path, alone())]) == 2
    assert "no 'watch' address" in capsys.readouterr().err


def test_watch_where_nothing_answers_is_2(capsys: Said) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as taken:
        taken.bind(("127.0.0.1", 0))  # bound, but nobody listens
        address = f"tcp://127.0.0.1:{taken.getsockname()[1]}"
        assert cli.main(["watch", "--at", address]) == 2
    assert f"watch: nothing answers at {address}" in capsys.readouterr().err


def test_ports_without_midi_is_1_and_says_why(
    monkeypatch: pytest.MonkeyPatch, capsys: Said
) -> None:
    monkeypatch.setattr(midi, "midi_available", lambda: (False, "not installed"))
    assert cli.main(["ports"]) == 1
    assert capsys.readouterr().out == "no MIDI here: not installed\n"
