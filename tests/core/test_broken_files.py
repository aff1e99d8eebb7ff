"""Broken rigs and maps as people make them: each is told with its place. I/O."""

from __future__ import annotations

import os
import re
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from support.checked import MAPPINGS, RIG
from support.told import without_more

from bridge import cli

Said = pytest.CaptureFixture[str]
LINE = re.compile(r"^\S.*: found .+, expected .+$")
CEILING = "master_ceiling_db = 0"
SOURCE = 'source = "192.0.2.20"'
TABLET = f'"{MAPPINGS}/tablet.toml"'
LAW = 'law = "fader"'


def rig(old: str, new: str) -> str:
    assert old in RIG, old
    return RIG.replace(old, new, 1)


def channels(number: int) -> str:
    more = "".join(f'[[channel]]\nid = "c{n}"\nconsole = {n + 10}\n' for n in range(number))
    return rig("[[bus]]", f"{more}[[bus]]")


RIGS: dict[str, tuple[str | bytes, str]] = {
    "a key misspelt": (rig(CEILING, "master_cieling_db = 0"),
                       ":4 limits.master_cieling_db: found 0, expected no such key"),
    "a table misspelt": (rig("[limits]", "[limit]"), ":3 limit: found a table, expected no such"),
    "a table for a list": (rig("[[performer]]", "[performer]"),
                           ":17 performer: found a table, expected a list"),
    "a list for a table": (rig("[console]", "[[console]]"),
                           ":36 console: found a list of 1, expected a table"),
    "a text for a table": (rig('[rig]\nname = "Ferry Lane, room 2"', 'rig = "Ferry Lane"'),
                           ":1 rig: found 'Ferry Lane', expected a table"),
    "a text for a number": (rig(CEILING, 'master_ceiling_db = "0 dB"'),
                            ":4 limits.master_ceiling_db: found '0 dB', expected a number"),
    "a truth for a level": (rig(CEILING, "master_ceiling_db = true"),
                            ":4 limits.master_ceiling_db: found true, expected a number"),
    "a date for a level": (rig(CEILING, "master_ceiling_db = 1979-05-27"),
                           ":4 limits.master_ceiling_db: found 1979-05-27, expected a number"),
    "no number": (rig(CEILING, "master_ceiling_db = nan"),
                  ":4 limits.master_ceiling_db: found nan, expected a finite number"),
    "an endless number": (rig(CEILING, "master_ceiling_db = 1e999"),
                          ":4 limits.master_ceiling_db: found inf, expected a finite number"),
    "a number of 12,000 digits": (rig(CEILING, f"master_ceiling_db = 0x{'f' * 10_000}"),
                                  ":4 limits.master_ceiling_db: found a number of about 12042 dig"),
    "a number that Python refuses": (rig(CEILING, f"master_ceiling_db = {'9' * 5_000}"),
                                     ": found a number of thousands of digits, expected TOML 1.0"),
    "a rise of nothing": (rig(CEILING, "rise_db_per_s = 1e-300"),
                          ":4 limits.rise_db_per_s: found 1e-300, expected greater than or equal"),
    "half a channel number": (rig("console = 1", "console = 1.5"),
                              ":7 channel.0.console: found 1.5, expected a whole number, or a te"),
    "an id on two lines": (rig('id = "kick"', r'id = "kick\n"'),
                           r":6 channel.0.id: found 'kick\n', expected 1 to 40 of a-z, 0-9, _ and"),
    "a label that paints": (rig('id = "kick"', 'id = "kick"\nlabel = "\\u001b[31mkick"'),
                            r":7 channel.0.label: found '\x1b[31mkick', expected letters that can"),
    "a name of blanks": (rig('"Ferry Lane, room 2"', '"   "'),
                         ":2 rig.name: found '   ', expected letters that can be shown"),
    "one id twice": (rig('id = "voice"', 'id = "kick"'),
                     ":9 channel.1.id: found 'kick', expected an id that no other channel has"),
    "a bus twice": (rig('buses = ["kit"]', 'buses = ["kit", "kit"]'),
                    ":20 performer.0.buses: found 'kit' twice, expected each name once"),
    "a stranger's hands": (rig('hands = "ines"', 'hands = "Engineer"'),
                           ":25 controller.0.hands: found 'Engineer', expected one of engineer, i"),
    "a strange bus": (rig('buses = ["kit"]', 'buses = ["kti"]'),
                      ":20 performer.0.buses: found 'kti', expected one of front, kit"),
    "too many channels": (channels(511), ":5 channel: found a list of 513, expected "),
    "no budget": (rig("[daemon]", "bytes_per_s = 1e-300\n[daemon]"),
                  ":40 console.bytes_per_s: found 1e-300, expected greater than or equal to 50"),
    "no time to answer": (rig("[daemon]", "answer_s = 1e-9\n[daemon]"),
                          ":40 console.answer_s: found 1e-09, expected greater than or equal to"),
    "a source that is none": (rig(SOURCE, 'source = "192.0.2.300"'),
                              ":35 controller.1.source: found '192.0.2.300', expected 192.0.2.20,"),
    "a source with a line end": (rig(SOURCE, r'source = "192.0.2.20\n"'),
                                 r":35 controller.1.source: found '192.0.2.20\n', expected 192."),
    "a port beyond": (rig(SOURCE, 'source = "192.0.2.20:70000"'),
                      ":35 controller.1.source: found port 70000, expected a port from 1 to 65535"),
    "an empty address": (rig('send = "udp://192.0.2.10:9000"', 'send = ""'),
                         ":38 console.send: found '', expected at least one character"),
    "a map without a name": (rig(TABLET, '""'),
                             ":26 controller.0.map: found '', expected at least one character"),
    "a map of 5,000 letters": (rig(TABLET, f'"{"x" * 5000}"'),
                               ":26 controller.0.map: found 'xxxx"),
    "nothing": ("", ":1 rig: found nothing, expected this key"),
    "bytes": (bytes(range(256)) * 9, ": found byte 128 that is no UTF-8, expected a text file"),
    "zeros": (b"\0" * 1000, ":1: found Invalid statement, expected TOML 1.0"),
    "16 bits a letter": (RIG.encode("utf-16"), ": found byte 0 that is no UTF-8, expected a text"),
    "another alphabet": (RIG.replace("Ferry", "F\xe9rry").encode("latin-1"),
                         ": found byte 15 that is no UTF-8, expected a text file in UTF-8"),
    "5 MB": (RIG + "#" * 5_000_000, ": found more than 1000000 bytes, expected at most 1000000"),
    "lists in lists": (RIG + f"\nx = {'[' * 20_000}", ": found brackets within brackets, too deep"),
    "few lists in lists": (RIG + f"\nx = {'[' * 300}{']' * 300}",
                           ":43 daemon.x: found a list of 1, expected no such key"),
    "a key of 400,000 names": (f"{'a.' * 400_000}a = 1",
                               ": found a key of 400001 names, expected at most 32"),
    "a header of 5,000 names": (f"{RIG}\n[{'.'.join('a' * 5_000)}]\n",
                                ": found a key of 5000 names, expected at most 32"),
    "a string without end": (RIG + '\nx = "', ":43: found Unterminated string, expected TOML 1.0"),
    "a table twice": (RIG + "\n[rig]\n", ":43: found Cannot declare ('rig',) twice, expected TOML"),
}  # fmt: skip


def told(path: Path, text: str | bytes, capsys: Said) -> str:
    """What `check` says of a rig that is wrong; its path stands for nothing."""
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    assert cli.main(["check", str(path)]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    err = without_more(said.err)
    lines = err.splitlines()
    assert lines and all(LINE.match(line) and len(line) < 400 for line in lines), err[:400]
    return err


@pytest.mark.parametrize(("text", "start"), RIGS.values(), ids=RIGS)
def test_a_broken_rig_is_told_with_its_place(
    text: str | bytes, start: str, tmp_path: Path, capsys: Said
) -> None:
    path = tmp_path / "house.toml"
    assert told(path, text, capsys).startswith(f"{path}{start}")


def console(old: str, new: str) -> str:
    text = (MAPPINGS / "console-osc-position.toml").read_text(encoding="utf-8")
    assert old in text, old
    return text.replace(old, new, 1)


MAPS: dict[str, tuple[str, str]] = {
    "nothing": ("", ":1 map: found nothing, expected this key"),
    "too long": (console("[map]", f"# {'x' * 300_000}\n[map]"), ": found 301"),
    "a law misspelt": (console(LAW, 'law = "fade"'), ":25 osc.0.law: found 'fade', expected one "),
    "a parameter misspelt": (console('"send level"', '"send levle"'),
                             ":23 osc.0.parameter: found 'send levle', expected 'send level', "),
    "a field misspelt": (console("{bus", "{buss"), ":24 osc.0.address: found {buss:02} is no"),
    "no number in a law": (console("[0.4, -25]", "[0.4, nan]"),
                           ":19 law.fader.points.2.1: found nan, expected a finite number"),
    "a law that falls": (console("[0.4, -25]", "[0.4, -75]"), ":18 law.fader: found (0.4, -75) "),
    "a range of one": (console(LAW, f"{LAW}\nrange = [0]"),
                       ":26 osc.0.range: found a list of 1, expected a list of 2"),
    "an endless range": (console(LAW, f"{LAW}\nrange = [0, inf]"),
                         ":26 osc.0.range.1: found inf, expected a finite number"),
    "a range beyond a float": (console(LAW, f"{LAW}\nrange = [0, 1e39]"),
                               ":26 osc.0.range: found 1e+39, expected a number of at most 3.4"),
    "a range beyond 32 bits": (console(LAW, f'{LAW}\ntype = "i"\nrange = [3e9, 3000001000]'),
                               ":27 osc.0.range: found 3000000000.0, expected a number of at "),
    "an off beyond a float": (console(LAW, f"{LAW}\noff = 1e39"),
                              ":26 osc.0.off: found 1e+39, expected a number of at most 3.40282e+"),
    "a word of 600 digits": (console("pre = [2, 1]", f"pre = [0x{'f' * 500}, 1]"),
                             ":38 osc.2.pre: found a number of about 603 digits, expected a numbe"),
    "a constant beyond 32 bits": (console(LAW, f"{LAW}\nbefore = [99999999999]"),
                                  ":26 osc.0.before: found 99999999999, expected a number of at m"),
    "a constant that is no number": (console(LAW, f"{LAW}\nafter = [nan]"),
                                     ":26 osc.0.after: found nan, expected a number of at most 3."),
    "a constant with a zero byte": (console(LAW, f'{LAW}\nbefore = ["a\\u0000b"]'),
                                    r":26 osc.0.before: found 'a\x00b', expected a text without"),
    "a question beyond 32 bits": (
        console('"/there"', '{ address = "/there", arguments = [99999999999] }'),
        ":14 console.probe: found 99999999999, expected a number of at most 2.14748e+09"),
    "a question without pause": (console("probe_every_s = 0.5", "probe_every_s = 1e-300"),
                                 ":15 console.probe_every_s: found 1e-300, expected 0, or 0.05 s "),
    "a blank question": (console('probe = ["/there"]', 'probe = ["  "]'),
                         ":14 console.probe.0: found '  ', expected a text that is not blank"),
}  # fmt: skip


@pytest.mark.parametrize(("text", "start"), MAPS.values(), ids=MAPS)
def test_a_broken_map_is_told_with_its_place(
    text: str, start: str, tmp_path: Path, capsys: Said
) -> None:
    path = tmp_path / "desk.toml"
    path.write_text(text, encoding="utf-8")
    house = rig(f"{MAPPINGS}/console-osc-position.toml", "desk.toml")
    assert told(tmp_path / "house.toml", house, capsys).startswith(f"{path}{start}")


BLANK_ASK = """\
[map]
name = "Desk"
kind = "console"
[[midi]]
parameter = "bus master"
bus = 1
message = "sysex"
law = "40 log10"
template = "F0 7D {value} F7"
ask = "  "
"""


def test_a_blank_midi_question_is_told_with_its_place(tmp_path: Path, capsys: Said) -> None:
    (tmp_path / "desk.toml").write_text(BLANK_ASK, encoding="utf-8")
    house = rig(f"{MAPPINGS}/console-osc-position.toml", "desk.toml")
    said = told(tmp_path / "house.toml", house, capsys)
    assert said.startswith(f"{tmp_path}/desk.toml:10 midi.0.ask: found '  ', expected a text that")


def test_many_faults_are_told_up_to_a_number_and_counted(tmp_path: Path, capsys: Said) -> None:
    names = ", ".join(f'"x{n}"' for n in range(3_000))
    said = told(tmp_path / "house.toml", rig('buses = ["kit"]', f"buses = [{names}]"), capsys)
    lines = said.splitlines()
    assert len(lines) == 41
    assert lines[-1] == (
        f"{tmp_path}/house.toml: found 2960 more faults, expected the ones above to be repaired "
        "first"
    )


def test_a_fault_lists_as_many_names_as_fit(tmp_path: Path, capsys: Said) -> None:
    text = channels(200).replace('id = "front"', 'id = "front"\nstart_mix = { tuba = -9 }')
    said = told(tmp_path / "house.toml", text, capsys)
    assert "bus.1.start_mix.tuba: found 'tuba', expected one of c0, c1, c10, " in said
    assert said.endswith(" and 182 more\n")


def test_a_rig_with_a_byte_order_mark_is_read(tmp_path: Path, capsys: Said) -> None:
    path = tmp_path / "house.toml"
    path.write_bytes(b"\xef\xbb\xbf" + RIG.encode())
    assert cli.main(["check", str(path)]) == 0


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("", ": found Is a directory, expected a readable file"),
        ("none.toml", "none.toml: found No such file or directory, expected a readable file"),
        ("a\0b", "a?b: found a name with a zero byte, expected the name of a file"),
        ("a\nb", "a?b: found No such file or directory, expected a readable file"),
        ("x" * 300, "x: found File name too long, expected a readable file"),
    ],
    ids=["folder", "none", "zero", "lines", "long"],
)
def test_what_is_no_file_is_told_by_its_name(
    name: str, said: str, tmp_path: Path, capsys: Said
) -> None:
    assert cli.main(["check", f"{tmp_path}/{name}"]) == 2
    err = without_more(capsys.readouterr().err)
    assert LINE.match(err) and err.endswith(said + "\n") and len(err) < 250


def test_a_map_with_a_zero_byte_in_its_name_is_told(tmp_path: Path, capsys: Said) -> None:
    said = told(tmp_path / "house.toml", rig(TABLET, r'"a\u0000b"'), capsys)
    assert "found a name with a zero byte" in said and "expected the name of a file" in said


def pipe(path: Path, write: Callable[[int], object]) -> threading.Thread:
    """A pipe that another program writes into."""
    os.mkfifo(path)

    def other() -> None:
        end = os.open(path, os.O_WRONLY)
        try:
            write(end)
        except BrokenPipeError:
            pass
        finally:
            os.close(end)

    thread = threading.Thread(target=other)
    thread.start()
    return thread


def test_a_rig_may_come_through_a_pipe(tmp_path: Path) -> None:
    other = pipe(tmp_path / "house.toml", lambda end: os.write(end, RIG.encode()))
    assert cli.main(["check", str(tmp_path / "house.toml")]) == 0
    other.join()


def test_a_pipe_without_end_is_read_up_to_the_largest_file(tmp_path: Path, capsys: Said) -> None:
    def on_and_on(end: int) -> None:
        while True:
            os.write(end, b"#" * 65536)

    other = pipe(tmp_path / "house.toml", on_and_on)
    assert cli.main(["check", str(tmp_path / "house.toml")]) == 2
    assert "found more than 1000000 bytes" in capsys.readouterr().err
    other.join()


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("udp://127.0.0.1:9300", "udp://192.0.2.10:9300", "console.send"),
        ("udp://127.0.0.1:9300", "tcp://127.0.0.1:9300", "console.send"),
        ('hands = "engineer"', 'hands = "ines"', "controller"),
        ("udp://127.0.0.1:9411", "udp://192.0.2.21:9411", "controller.0.reply"),
    ],
)
def test_a_rig_that_cannot_be_played_on_one_machine_is_no_demo(
    old: str, new: str, key: str, tmp_path: Path, capsys: Said
) -> None:
    text = (MAPPINGS / "rigs" / "demo.toml").read_text(encoding="utf-8")
    path = tmp_path / "house.toml"
    text = text.replace('"../', f'"{MAPPINGS}/').replace(old, new)
    path.write_text(text, encoding="utf-8")
    assert cli.main(["demo", str(path), "--seconds", "1"]) == 2
    (line,) = without_more(capsys.readouterr().err).splitlines()
    assert re.match(rf"{re.escape(str(path))}:\d+ {key}: found .+, expected .+", line)
