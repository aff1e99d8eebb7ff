"""One bridge for one rig, whoever starts it and however it ends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from bridge.errors import BridgeError
from bridge.guard import lock
from bridge.guard.lock import RUNS_ALREADY, RunsAlreadyError, lock_name, only_one

HOLDER = textwrap.dedent("""
    import sys
    from pathlib import Path
    from bridge.guard.lock import only_one
    with only_one(Path(sys.argv[1])):
        print("held", flush=True)
        sys.stdin.read()
""")


@pytest.fixture
def environ(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> dict[str, str]:
    """A runtime folder of the test's own; nothing of this machine's is looked at."""
    folder = tmp_path / "run"
    folder.mkdir(mode=0o700)
    monkeypatch.setattr(lock, "SYSTEM_FOLDER", tmp_path / "system")
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    return {"XDG_RUNTIME_DIR": str(folder)}


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "ferry lane.toml"
    path.write_text("")
    return path


def holder(rig: Path, environ: dict[str, str]) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(rig)], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        text=True, env={**os.environ, **environ},
    )  # fmt: skip
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    return process


def test_a_second_bridge_is_told_who_runs_the_rig_and_since_when(
    rig: Path, environ: dict[str, str]
) -> None:
    process = holder(rig, environ)
    with pytest.raises(RunsAlreadyError) as caught, only_one(rig, environ):
        pass
    process.communicate()
    assert caught.value.pid == process.pid and caught.value.since
    assert str(caught.value) == (
        f"{rig}: runs already, in process {process.pid} since {caught.value.since}; "
        f"stop it first (kill {process.pid}), or run another rig"
    )
    assert isinstance(caught.value, BridgeError) and caught.value.exit_code == RUNS_ALREADY == 3


def test_the_lock_ends_with_the_process_however_it_ends(rig: Path, environ: dict[str, str]) -> None:
    process = holder(rig, environ)
    process.send_signal(signal.SIGKILL)
    process.communicate()
    with only_one(rig, environ) as held:
        assert held is not None and held.exists()


def test_a_rig_has_one_lock_by_whatever_path_it_is_called(
    rig: Path, environ: dict[str, str]
) -> None:
    other = rig.with_name("alias.toml")
    other.symlink_to(rig)
    with only_one(rig, environ), pytest.raises(RunsAlreadyError), only_one(other, environ):
        pass
    assert lock_name(rig.parent / "." / rig.name) == lock_name(rig)
    assert lock_name(rig) != lock_name(rig.with_name("ferry_lane.toml"))


def test_another_rig_is_free(rig: Path, environ: dict[str, str]) -> None:
    with only_one(rig, environ), only_one(rig.with_name("room 3.toml"), environ) as held:
        assert held is not None


def test_a_service_and_a_person_find_each_other(
    rig: Path, environ: dict[str, str], tmp_path: Path
) -> None:
    system = tmp_path / "system"
    system.mkdir(mode=0o755)
    with only_one(rig, {"RUNTIME_DIRECTORY": str(system)}) as held:
        assert held is not None and held.parent == system
        with pytest.raises(RunsAlreadyError), only_one(rig, environ):
            pass


def test_a_lock_is_found_where_one_could_not_be_made(
    rig: Path, environ: dict[str, str], tmp_path: Path
) -> None:
    system = tmp_path / "system"
    system.mkdir(mode=0o755)
    with only_one(rig, {"RUNTIME_DIRECTORY": str(system)}):
        system.chmod(0o775)  # nothing that we would trust to keep ours
        with pytest.raises(RunsAlreadyError), only_one(rig, environ):
            pass


def test_a_folder_that_others_may_write_to_is_not_trusted(
    rig: Path, environ: dict[str, str], tmp_path: Path
) -> None:
    folder = tmp_path / "run" / "foldbridge"
    folder.mkdir()
    folder.chmod(0o777)
    with only_one(rig, environ) as held:
        assert held is not None and held.parent.parent == tmp_path


def test_a_link_planted_at_the_lock_is_not_followed(
    rig: Path, environ: dict[str, str], tmp_path: Path
) -> None:
    prey = tmp_path / "prey"
    prey.write_text("dear")
    folder = tmp_path / "run" / "foldbridge"
    folder.mkdir(mode=0o700)
    (folder / lock_name(rig)).symlink_to(prey)
    with only_one(rig, environ):
        assert prey.read_text() == "dear"


def test_where_nothing_can_be_written_the_bridge_runs_all_the_same(
    rig: Path, environ: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "nowhere"))
    with only_one(rig, {"XDG_RUNTIME_DIR": str(tmp_path / "nowhere")}) as held:
        assert held is None


@pytest.mark.parametrize("note", ["", "{", "[]", '{"pid": true, "since": 3}',
                                  '{"pid": -4, "since": "\\u001b[2J"}', "[" * 3000])  # fmt: skip
def test_a_note_that_says_nonsense_is_shown_as_nothing(
    rig: Path, environ: dict[str, str], note: str
) -> None:
    with only_one(rig, environ) as held:
        assert held is not None
        held.write_text(note)
        with pytest.raises(RunsAlreadyError) as caught, only_one(rig, environ):
            pass
    assert (caught.value.pid, caught.value.since) == (0, "")
    assert str(caught.value) == (
        f"{rig}: runs already, in another process; stop it first, or run another rig"
    )
