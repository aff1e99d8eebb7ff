"""The folder of presets: where it is, what is refused, and that no fault loses a file."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from preset_house import QUIET, REEL, preset
from support.house import RIG

from bridge.errors import FileError
from bridge.presets.command import preset as command
from bridge.presets.files import faults_of, folder_of, names_in, path_of, read_all, write_preset
from bridge.presets.preset import PresetError
from bridge.rig.presets import PRESETS_MAX
from bridge.rig.rig import Rig, RigError, parse_rig


def rig_in(folder: Path, more: str = "") -> Rig:
    path = folder / "ferry.toml"
    path.write_text(RIG + more)
    return parse_rig(RIG + more, str(path))


def filled(folder: Path, more: str = "", **texts: str) -> Rig:
    rig = rig_in(folder, more)
    folder_of(rig).mkdir(parents=True)
    for name, text in texts.items():
        (folder_of(rig) / f"{name}.toml").write_text(text)
    return rig


def test_the_folder_stands_beside_the_rig_unless_the_rig_says_where(tmp_path: Path) -> None:
    assert folder_of(rig_in(tmp_path)) == tmp_path / "ferry.presets"
    said = rig_in(tmp_path, '[presets]\nfolder = "kept/here"\n')
    assert folder_of(said) == tmp_path / "kept" / "here"


def test_no_folder_is_no_presets(tmp_path: Path) -> None:
    rig = rig_in(tmp_path)
    assert names_in(rig) == () and read_all(rig) == () and faults_of(rig) == ()


def test_other_files_in_the_folder_are_left_alone(tmp_path: Path) -> None:
    rig = filled(tmp_path, reel=REEL)
    for name in ("README.md", ".hidden.toml", ".gitignore"):
        (folder_of(rig) / name).write_text("x")
    assert names_in(rig) == ("reel",)


def test_a_file_with_a_name_that_no_rig_could_use_is_said(tmp_path: Path) -> None:
    rig = filled(tmp_path, Reel=REEL)
    with pytest.raises(PresetError, match=r"Reel\.toml: found 'Reel', expected a name of 1 to 40"):
        names_in(rig)


def test_more_presets_than_a_folder_may_hold_are_refused(tmp_path: Path) -> None:
    rig = filled(tmp_path, **{f"p{i}": QUIET for i in range(PRESETS_MAX)})
    assert len(names_in(rig)) == PRESETS_MAX
    with pytest.raises(PresetError, match=f"{PRESETS_MAX} presets already"):
        write_preset(rig, "more", preset())
    (folder_of(rig) / "more.toml").write_text(QUIET)
    with pytest.raises(PresetError, match=f"more than {PRESETS_MAX} presets"):
        names_in(rig)


@pytest.mark.parametrize("name", ["../reel", "a/b", "", "Reel", "reel.toml", "a" * 41, "re\0el"])
def test_no_name_leads_out_of_the_folder(tmp_path: Path, name: str) -> None:
    with pytest.raises(PresetError, match="preset: found"):
        path_of(rig_in(tmp_path), name)


def test_a_written_preset_is_read_back(tmp_path: Path) -> None:
    rig = rig_in(tmp_path)
    write_preset(rig, "reel", preset())
    (listed,) = read_all(rig)
    assert listed.preset == preset() and [p.name for p in folder_of(rig).iterdir()] == ["reel.toml"]


def test_a_damaged_file_is_not_written_over_and_the_others_are_listed(tmp_path: Path) -> None:
    rig = filled(tmp_path, bad="[scope", reel=REEL)
    with pytest.raises(PresetError, match=r"bad\.toml:1"):
        write_preset(rig, "bad", preset(), replace=True)
    assert (folder_of(rig) / "bad.toml").read_text() == "[scope"
    assert [bool(one.fault) for one in read_all(rig)] == [True, False]


def test_a_cut_between_writing_and_renaming_leaves_the_old_preset(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = filled(tmp_path, reel=REEL)

    class Cut(BaseException):
        """The power is gone."""

    def cut(source: str, target: object) -> None:
        raise Cut

    monkeypatch.setattr(os, "replace", cut)
    with pytest.raises(Cut):
        write_preset(rig, "reel", preset(QUIET), replace=True)
    assert (folder_of(rig) / "reel.toml").read_text() == REEL


def test_a_full_disk_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rig = filled(tmp_path, reel=REEL)

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(PresetError, match="not written: No space left on device"):
        write_preset(rig, "new", preset())
    assert names_in(rig) == ("reel",)


@pytest.mark.parametrize("data", [b"\xff\xfe\x00", b"x" * 1_000_001, b"x = 1"])
def test_a_file_that_is_no_preset_is_a_fault_with_its_path(tmp_path: Path, data: bytes) -> None:
    rig = filled(tmp_path, reel=REEL)
    (folder_of(rig) / "odd.toml").write_bytes(data)
    faults = faults_of(rig)
    assert faults and all("odd.toml" in fault.where for fault in faults)


def test_cues_twice_and_names_without_a_file_are_faults(tmp_path: Path) -> None:
    more = '[room]\npresets = ["reel", "gone"]\n'
    rig = filled(tmp_path, more, reel=REEL, other=REEL)
    said = "\n".join(map(str, faults_of(rig)))
    assert "reel.toml cue: found '91.5', expected a cue that other does not have" in said
    assert "room.presets.1: found 'gone', expected a file gone.toml in" in said


# -- the command ---------------------------------------------------------------------------------


def test_list_shows_each_preset_on_a_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    filled(tmp_path, reel=REEL, quiet=QUIET)
    assert command(tmp_path / "ferry.toml", "list") == 0
    assert capsys.readouterr().out.splitlines() == [
        "quiet: 2025-03-01; Ruth; kit, front, side",
        "reel: 2025-03-01; Ruth; kit, front; cue 91.5; The reel; more accordion",
    ]


def test_list_says_what_is_damaged_and_exits_with_a_warning(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    filled(tmp_path, bad="x = 1")
    assert command(tmp_path / "ferry.toml", "list", as_json=True) == 1
    (entry,) = json.loads(capsys.readouterr().out)
    assert entry["name"] == "bad" and "bad.toml:1 x: found 1" in entry["fault"]


def test_show_tells_a_mix_by_labels(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    filled(tmp_path, reel=REEL)
    assert command(tmp_path / "ferry.toml", "show", "reel") == 0
    out = capsys.readouterr().out
    assert "\nkit, master -6.0 dB\n  kick: off\n" in out
    assert "  voice: -15.5 dB, on, post, pan -0.25\n" in out


def test_check_raises_everything_that_is_wrong(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    filled(tmp_path, reel=REEL, other=REEL)
    with pytest.raises(FileError, match="a cue that other does not have"):
        command(tmp_path / "ferry.toml", "check")
    (tmp_path / "ferry.presets" / "other.toml").write_text(QUIET)
    assert command(tmp_path / "ferry.toml", "check") == 0
    assert "2 presets, nothing wrong" in capsys.readouterr().out


@pytest.mark.parametrize(("act", "name"), [("show", None), ("list", "reel"), ("check", "reel")])
def test_a_name_belongs_to_show_alone(tmp_path: Path, act: str, name: str | None) -> None:
    filled(tmp_path, reel=REEL)
    with pytest.raises(PresetError, match=f"preset {act}: found"):
        command(tmp_path / "ferry.toml", act, name)


# -- the rig -------------------------------------------------------------------------------------

WRONG = [
    ('[[recall_safe]]\nchannel = "flute"', "recall_safe.0.channel: found 'flute'", "one of acc"),
    ("[[recall_safe]]", "recall_safe.0: found nothing", "a channel, a bus, or both"),
    ('[presets]\norder = ["a", "a"]', "presets.order.1: found 'a' twice", "each name once"),
    ('[presets]\norder = ["A b"]', "presets.order.0: found 'A b'", "1 to 40 of a-z"),
    ("[presets]\nshow_control = 112", "presets.show_control: found 112", "111"),
    ("[room]\npresets = []", "room.presets: found []", "at least 1"),
    ('[room]\npresets = ["a"]\nhouse = "b"', "room.house: found 'b'", "one of a"),
    ('[room]\npresets = ["a"]\nhands = ["zed"]', "room.hands.0: found 'zed'", "ines, maud"),
    ('[room]\npresets = ["a"]\nhome_at = ["4:00"]', "room.home_at.0: found '4:00'", "HH:MM"),
    ('[room]\npresets = ["a"]\nhome_at = ["24:00"]', "room.home_at.0: found '24:00'", "HH:MM"),
    ('[room]\npresets = ["a"]\nwindow_db = -1', "room.window_db: found -1", "equal to 0"),
    ('[room]\npresets = ["a"]\nwindow_db = nan', "room.window_db: found nan", "finite"),
    ('[room]\npresets = ["a"]\n[presets]\norder = ["b"]', "presets.order: found", "room.presets"),
]  # fmt: skip


@pytest.mark.parametrize(("more", "found", "expected"), WRONG)
def test_what_a_rig_cannot_say_of_presets_is_told_with_its_key(
    more: str, found: str, expected: str
) -> None:
    with pytest.raises(RigError) as caught:
        parse_rig(RIG + more, "ferry.toml")
    said = str(caught.value)
    assert found in said and expected in said.split(found, 1)[1]
