"""`foldbridge plan` as it is called: files, standard output, exit codes."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import pytest
from plan_rigs import HEAD, WHOLE

from bridge.errors import FileError, RigError
from bridge.plan import run, write
from bridge.rig.load import load_rig


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "ferry.toml"
    path.write_text(WHOLE, encoding="utf-8")
    return path


def call(rig: Path, out: Path | None = None, *, as_json: bool = False, strict: bool = False) -> int:
    return run(argparse.Namespace(rig=rig, out=out, json=as_json, strict=strict))


def test_a_page_is_written_and_its_place_is_told(
    rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "plan.html"
    assert call(rig, out) == 0
    assert out.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    said = capsys.readouterr()
    assert said.out == f"{out}: the plan of Ferry Lane, room 2, 6 warnings\n"
    assert said.err.count("warning: ") == 6


def test_without_a_name_the_page_stands_in_the_present_folder(
    rig: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert call(rig) == 0
    assert (tmp_path / "ferry-plan.html").exists()


def test_json_goes_to_standard_output_and_is_nothing_but_json(
    rig: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(rig, as_json=True) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["name"] == "Ferry Lane, room 2" and len(said["warnings"]) == 6


def test_a_page_can_go_to_standard_output(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(rig, Path("-")) == 0
    said = capsys.readouterr().out
    assert said.startswith("<!DOCTYPE html>") and said.endswith("</html>")


def test_json_can_go_to_a_file(rig: Path, tmp_path: Path) -> None:
    out = tmp_path / "plan.json"
    warnings, written = write(load_rig(rig), out, as_json=True)
    assert written == out and len(warnings) == 6
    assert json.loads(out.read_text(encoding="utf-8"))["file"] == str(rig)


def test_strict_is_1_with_warnings_and_0_without(rig: Path, tmp_path: Path) -> None:
    assert call(rig, tmp_path / "a.html", strict=True) == 1
    rig.write_text(HEAD, encoding="utf-8")
    assert call(rig, tmp_path / "b.html", strict=True) == 0


def test_a_plan_is_never_written_over_its_rig(rig: Path) -> None:
    with pytest.raises(FileError, match="found the rig itself, expected a place for a new file"):
        call(rig, rig.parent / "." / "ferry.toml")
    assert rig.read_text(encoding="utf-8") == WHOLE


def test_a_place_where_nothing_can_be_written_is_told(rig: Path, tmp_path: Path) -> None:
    with pytest.raises(FileError, match="expected a place for a new file"):
        call(rig, tmp_path / "no" / "such" / "folder.html")


def test_a_broken_rig_gives_its_faults_and_no_page(rig: Path, tmp_path: Path) -> None:
    rig.write_text(WHOLE.replace("coverage_deg = 80", "coverage_deg = 800", 1), encoding="utf-8")
    with pytest.raises(RigError, match="coverage_deg"):
        call(rig, tmp_path / "plan.html")
    assert not (tmp_path / "plan.html").exists()


def test_two_things_at_one_place_are_an_error_of_the_rig(rig: Path, tmp_path: Path) -> None:
    same = WHOLE.replace("at = [-0.6, 0.0, 0.25]", "at = [0.1, 0.9, 1.55]")
    rig.write_text(same, encoding="utf-8")
    with pytest.raises(RigError):
        call(rig, tmp_path / "plan.html")
    assert not (tmp_path / "plan.html").exists()
