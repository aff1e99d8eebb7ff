"""The marks file on the disk: where it is, and that no fault and no power cut loses any of it."""

from __future__ import annotations

import os
from functools import partial
from pathlib import Path

import pytest
from sound_stage import BY_HAND, STAGE, mark, stage_rig

from bridge.rig.rig import Rig
from bridge.soundcheck.marks import MarksError, with_mark, withdrawn
from bridge.soundcheck.marks_file import change_marks, load_marks, marks_path, read_marks
from bridge.stage.rings import RingMark

ADD = partial(with_mark, mark=mark(-3.0))


def rig_in(folder: Path, marks: str = "") -> Rig:
    text = STAGE.replace("[stage]\n", f"[stage]\nmarks = '{marks}'\n") if marks else STAGE
    return stage_rig(text, str(folder / "stage.toml"))


def test_the_marks_stand_beside_the_rig_unless_the_rig_says_where(tmp_path: Path) -> None:
    assert marks_path(rig_in(tmp_path)) == tmp_path / "stage.marks.toml"
    assert marks_path(rig_in(tmp_path, "kept/m.toml")) == tmp_path / "kept" / "m.toml"


def test_no_file_is_no_marks(tmp_path: Path) -> None:
    rig = rig_in(tmp_path)
    assert read_marks(rig).marks == () and load_marks(rig) == ()
    assert list(tmp_path.iterdir()) == []


def test_what_was_written_is_in_force_at_the_next_start(tmp_path: Path) -> None:
    rig = rig_in(tmp_path)
    change_marks(rig, ADD)
    assert load_marks(rig) == (RingMark(2, 0, -3.0),)
    change_marks(rig, partial(withdrawn, pair=("voice", "kit")))
    assert load_marks(rig) == ()
    assert [path.name for path in tmp_path.iterdir()] == ["stage.marks.toml"]


def test_what_somebody_wrote_meanwhile_is_kept(tmp_path: Path) -> None:
    rig = rig_in(tmp_path)
    change_marks(rig, ADD)
    path = marks_path(rig)
    path.write_text(BY_HAND + path.read_text())
    book = change_marks(rig, ADD)
    assert path.read_text().startswith(BY_HAND) and len(book.marks) == 3


@pytest.mark.parametrize(
    "damage",
    [b"\xff\xfe\x00", b"[[mark]]\nlevel_db = -8", b"[[mark", b"x" * 1_000_001, b"nothing = 1\n",
     BY_HAND.replace("voice", "flute").encode()],
)  # fmt: skip
def test_a_damaged_file_is_refused_whole_and_left_alone(tmp_path: Path, damage: bytes) -> None:
    rig = rig_in(tmp_path)
    path = marks_path(rig)
    path.write_bytes(damage)
    for act in (read_marks, load_marks, partial(change_marks, edit=ADD)):
        with pytest.raises(MarksError, match=str(path)):
            act(rig)
    assert path.read_bytes() == damage and len(list(tmp_path.iterdir())) == 1


def test_a_cut_between_writing_and_renaming_leaves_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = rig_in(tmp_path)
    before = change_marks(rig, ADD).text

    class Cut(BaseException):
        """The power is gone."""

    def cut(source: str, target: object) -> None:
        assert Path(source).read_text() != before and Path(source).parent == tmp_path
        raise Cut

    monkeypatch.setattr(os, "replace", cut)
    with pytest.raises(Cut):
        change_marks(rig, ADD)
    assert marks_path(rig).read_text() == before


def test_it_is_on_the_disk_before_it_takes_the_old_ones_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig, steps = rig_in(tmp_path), []
    real_fsync, real_replace = os.fsync, os.replace

    def fsync(handle: int) -> None:
        steps.append("folder" if os.path.isdir(f"/proc/self/fd/{handle}") else "file")
        real_fsync(handle)

    def replace(source: str, target: str) -> None:
        steps.append("rename")
        real_replace(source, target)

    monkeypatch.setattr(os, "fsync", fsync)
    monkeypatch.setattr(os, "replace", replace)
    change_marks(rig, ADD)
    assert steps == ["file", "rename", "folder"]


@pytest.mark.parametrize("problem", [OSError(28, "No space left on device"), OSError(5, "I/O")])
def test_a_disk_that_takes_nothing_is_told_and_nothing_is_left_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, problem: OSError
) -> None:
    rig = rig_in(tmp_path)
    before = change_marks(rig, ADD).text

    def full(handle: int) -> None:
        raise problem

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(MarksError, match=f"not written: {problem.strerror}"):
        change_marks(rig, ADD)
    assert marks_path(rig).read_text() == before and len(list(tmp_path.iterdir())) == 1


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    rig = rig_in(tmp_path, "nowhere/m.toml")
    assert read_marks(rig).marks == ()
    with pytest.raises(MarksError, match="not written: No such file"):
        change_marks(rig, ADD)


def test_a_folder_in_its_place_is_told(tmp_path: Path) -> None:
    rig = rig_in(tmp_path)
    marks_path(rig).mkdir()
    with pytest.raises(MarksError, match="Is a directory"):
        read_marks(rig)


def test_a_link_stays_a_link_and_rights_stay_what_they_were(tmp_path: Path) -> None:
    rig = rig_in(tmp_path)
    real = tmp_path / "shared" / "m.toml"
    real.parent.mkdir()
    real.write_text(BY_HAND)
    real.chmod(0o640)
    marks_path(rig).symlink_to(real)
    change_marks(rig, ADD)
    assert marks_path(rig).is_symlink() and "-3.0" in real.read_text()
    assert real.stat().st_mode & 0o777 == 0o640
