"""The service file says what systemd understands, and agrees with the program."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from bridge.cli import WRONG
from bridge.guard.lock import RUNS_ALREADY, SYSTEM_FOLDER

UNIT = Path(__file__).parents[3] / "systemd" / "foldbridge@.service"


def settings() -> dict[str, dict[str, list[str]]]:
    """Section, name, values: a name may stand several times (systemd.syntax(7))."""
    found: dict[str, dict[str, list[str]]] = {}
    section = ""
    for line in UNIT.read_text().splitlines():
        if not line or line.startswith("#"):
            continue
        if line.startswith("["):
            section = line.strip("[]")
            found[section] = {}
        else:
            name, _, value = line.partition("=")
            found[section].setdefault(name, []).append(value)
    return found


def test_the_service_waits_for_ready_and_watches() -> None:
    service = settings()["Service"]
    assert service["Type"] == ["notify"] and service["NotifyAccess"] == ["main"]
    assert float(service["WatchdogSec"][0]) >= 3.0
    assert service["Restart"] == ["on-failure"]


def test_what_cannot_come_right_is_not_tried_again() -> None:
    codes = settings()["Service"]["RestartPreventExitStatus"][0].split()
    assert codes == [str(WRONG), str(RUNS_ALREADY)]


def test_locks_of_several_rigs_share_a_folder_that_outlives_each() -> None:
    service = settings()["Service"]
    assert Path("/run") / service["RuntimeDirectory"][0] == SYSTEM_FOLDER
    assert service["RuntimeDirectoryPreserve"] == ["yes"]


def test_the_rig_lies_in_the_folder_that_the_service_may_write_to() -> None:
    service = settings()["Service"]
    state = f"/var/lib/{service['StateDirectory'][0]}"
    assert service["ExecStart"][0].endswith(f"run --log-json {state}/rig.toml")
    assert service["ProtectSystem"] == ["strict"]


@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="needs systemd-analyze")
def test_systemd_understands_every_line(tmp_path: Path) -> None:
    program = UNIT.read_text().replace("/opt/foldbridge/.venv/bin/foldbridge", "/bin/true")
    unit = tmp_path / "foldbridge@ferry-lane.service"
    unit.write_text(program)
    said = subprocess.run(
        ["systemd-analyze", "verify", str(unit)], capture_output=True, text=True, check=False
    )
    ours = [line for line in said.stderr.splitlines() if "foldbridge@" in line]
    if not ours and said.returncode:
        pytest.skip(f"systemd-analyze does not work here: {said.stderr[:200]}")
    assert ours == []
