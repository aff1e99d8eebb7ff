"""A map in the wrong place is refused in the same words by every command. I/O."""

from __future__ import annotations

from pathlib import Path

import pytest
from support.checked import MAPPINGS, RIG
from support.told import without_more

from bridge import cli
from bridge.daemon import Daemon

ROWS = (
    ("tablet.toml", "console-osc-position.toml", "controller.0.map",
     "a console's map, expected a controller's map"),
    ("console-osc-position.toml", "tablet.toml", "console.map",
     "a controller's map, expected a console's map"),
    ("tablet.toml", "foot-board.toml", "controller.0.map",
     "a map in MIDI, expected one in OSC, as the declared link carries"),
    ("console-osc-position.toml", "console-midi-7bit.toml", "console.map",
     "a map in MIDI, expected one in OSC, as the declared link carries"),
)  # fmt: skip


@pytest.fixture(autouse=True)
def nothing_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    """A bridge that starts all the same fails at once instead of running on."""

    async def ran(*_: object) -> None:
        raise AssertionError("it ran")

    monkeypatch.setattr(Daemon, "run", ran)


@pytest.mark.parametrize("command", ["run", "demo", "check", "simulate"])
@pytest.mark.parametrize(("right", "wrong", "key", "words"), ROWS)
def test_a_map_in_the_wrong_place_is_2_and_says_where(
    command: str, right: str, wrong: str, key: str, words: str, tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    path = tmp_path / "house.toml"
    text = RIG.replace(f"{MAPPINGS}/{right}", f"{MAPPINGS}/{wrong}")
    path.write_text(text, encoding="utf-8")
    line = RIG[: RIG.index(f'map = "{MAPPINGS}/{right}"')].count("\n") + 1
    assert cli.main([command, str(path)]) == 2
    said = capsys.readouterr()
    assert without_more(said.err) == f"{path}:{line} {key}: found '{MAPPINGS}/{wrong}', {words}\n"
    assert said.out == ""


@pytest.mark.parametrize("command", ["run", "demo", "check", "simulate"])
def test_a_midi_link_with_an_osc_map_is_2(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "house.toml"
    listen = 'listen = "udp://:9371"\nsource = "192.0.2.21"\nreply = "udp://192.0.2.21:9471"'
    path.write_text(RIG.replace(listen, 'midi = "Foot*"'), encoding="utf-8")
    assert cli.main([command, str(path)]) == 2
    said = without_more(capsys.readouterr().err)
    assert said.startswith(f"{path}:26 controller.0.map: found ")
    assert said.endswith("a map in OSC, expected one in MIDI, as the declared link carries\n")


@pytest.mark.parametrize("command", ["run", "demo", "check", "simulate"])
def test_a_map_that_cannot_be_read_is_told_where_the_rig_names_it(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "house.toml"
    path.write_text(RIG.replace(f"{MAPPINGS}/tablet.toml", "gone.toml"), encoding="utf-8")
    assert cli.main([command, str(path)]) == 2
    assert without_more(capsys.readouterr().err) == (
        f"{path}:26 controller.0.map: found No such file or directory at {tmp_path}/gone.toml, "
        "expected a readable file\n"
    )
