"""The history: what is written, what is folded, and what becomes of a file that cannot be used."""

from __future__ import annotations

import json
import math
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from support.kept import Evening

from bridge.errors import BridgeError
from bridge.journal import command, schema
from bridge.journal.copies import RETRY_S as COPY_RETRY_S
from bridge.journal.copies import Copies
from bridge.journal.folding import BURST_ROWS, OPEN_MAX, ROWS_PER_S, Folder
from bridge.journal.history import RETRY_S, WAITING_MAX, History
from bridge.mix.gesture import LIMITED, TAKEN, Verdict
from bridge.rig.layout import Parameter as P
from bridge.rig.rig import Rig


def rows(folder: Path, text: str = "SELECT * FROM gesture ORDER BY id") -> list[sqlite3.Row]:
    base = sqlite3.connect(folder / schema.NAME)
    base.row_factory = sqlite3.Row
    try:
        return base.execute(text).fetchall()
    finally:
        base.close()


class Said:
    """What a part of the journal said of itself."""

    def __init__(self) -> None:
        self.all: list[str] = []

    def __call__(self, part: str, text: str) -> None:
        if not self.all or self.all[-1] != text:
            self.all.append(text)


@pytest.fixture()
def rig(tmp_path: Path) -> Rig:
    evening = Evening(tmp_path / "other")
    evening.killed()
    return evening.rig


def verdict(slot: int, wanted: float = -3.0, outcome: int = TAKEN, rule: str = "") -> Verdict:
    return Verdict(outcome, slot, 0, wanted, min(wanted, -6.0), rule)


# -- folding --------------------------------------------------------------------------------------


def test_a_pedal_that_moves_all_the_time_is_one_row_a_second() -> None:
    folder = Folder()
    for step in range(250):
        folder.note("pedal", verdict(8, -50.0 + step / 10), 1000.0 + step * 0.02)
        folder.close(1000.0 + step * 0.02)
    folder.close(math.inf)
    rows = {row.number: row for row in folder.ready}.values()  # the last word about each counts
    assert sum(row.times for row in rows) == 250
    assert [row.wanted for row in rows][-1] == -50.0 + 24.9
    assert [row.at_s for row in rows] == [1000.0, 1001.0, 1002.0, 1003.0, 1004.0]


def test_the_first_gesture_of_a_row_does_not_wait_for_the_last() -> None:
    folder = Folder()
    folder.note("pedal", verdict(8), 1000.0)
    assert [row.times for row in folder.ready] == [1]


def test_what_was_limited_is_no_part_of_what_was_taken() -> None:
    folder = Folder()
    folder.note("pedal", verdict(8), 1.0)
    folder.note("pedal", verdict(8, 3.0, LIMITED, "own ceiling"), 1.1)
    folder.note("box", verdict(8), 1.2)
    folder.note("pedal", verdict(9), 1.3)
    folder.close(math.inf)
    assert [(row.through, row.slot, row.rule) for row in folder.ready] == [
        ("pedal", 8, ""), ("pedal", 8, "own ceiling"), ("box", 8, ""), ("pedal", 9, "")
    ]  # fmt: skip


def test_a_flood_on_every_slot_has_a_bound_in_memory_and_on_the_disk() -> None:
    folder = Folder()
    for number in range(50_000):
        folder.note("box", verdict(number), 1.0 + number / 10_000)  # for five seconds
        folder.close(1.0 + number / 10_000)
        assert len(folder._open) <= OPEN_MAX
    folder.close(math.inf)
    begun = {row.number for row in folder.ready}
    assert len(begun) + folder.left_out == 50_000
    assert len(begun) == pytest.approx(BURST_ROWS + 5 * ROWS_PER_S, abs=2)
    assert folder.due_s() == math.inf


def test_rows_are_closed_one_by_one_as_their_seconds_end() -> None:
    folder = Folder()
    for at_s in (1.0, 1.1, 1.25, 1.3):
        folder.note("pedal", verdict(8 + (at_s > 1.2)), at_s)
    folder.ready.clear()
    assert folder.due_s() == 2.0
    folder.close(2.1)
    assert [(row.slot, row.times) for row in folder.ready] == [(8, 2)]
    assert folder.due_s() == 2.25
    folder.note("pedal", verdict(9), 2.5)  # the old row is over, and a new one begins
    assert [(row.slot, row.times) for row in folder.ready] == [(8, 2), (9, 2), (9, 1)]


# -- an evening -----------------------------------------------------------------------------------


def test_who_asked_for_what_and_what_became_of_it_is_written(tmp_path: Path) -> None:
    evening = Evening(tmp_path).playing()
    send = evening.slot(P.SEND_LEVEL, 0, 0)
    assert evening.wish(send, 0.0, who=0).rule == "own ceiling"
    assert evening.wish(send, 0.0, who=1).rule == "not yours"
    evening.pass_time(1.5)
    evening.keeper.close()
    told = [tuple(row)[3:] for row in rows(tmp_path) if row["who"] != "engineer"]
    name, label = "send level of kick in kit", "send level of kick in kit"
    assert told == [
        ("page", "ines", "ines", name, label, "level", "limited", "own ceiling", 0.0, -6.0, 1),
        ("page", "maud", "maud", name, label, "level", "refused", "not yours", 0.0, -6.0, 1),
    ]
    events = [row["what"] for row in rows(tmp_path, "SELECT * FROM event ORDER BY id")]
    assert events == ["start", "came back cold", "stop"]


def test_a_row_is_handed_on_when_its_second_is_over_though_nobody_moves(tmp_path: Path) -> None:
    evening = Evening(tmp_path).playing().pass_time(3.0)
    evening.wish(evening.slot(P.SEND_LEVEL, 0, 0), -20.0)
    due_s = evening.house.next_wake_s(evening.now_s)
    assert due_s < math.inf
    folds = evening.keeper._folds
    assert folds.due_s() < math.inf
    evening.pass_time(1.5)
    assert folds.due_s() == math.inf
    evening.keeper.close()


def test_the_log_can_be_searched_while_the_bridge_writes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    evening = Evening(tmp_path).playing()
    send = evening.slot(P.SEND_LEVEL, 1, 0)
    evening.wish(send, 0.0, who=0)
    evening.wish(send, -math.inf, who=0)
    evening.pass_time(1.5)
    history = evening.keeper._history
    history.close()  # its thread has written what waited, and ends; here it is a writer again
    history._base = schema.opened(tmp_path, print)
    history._base.execute("BEGIN IMMEDIATE")
    monkeypatch.setattr(command, "load_rig", lambda path: evening.rig)
    monkeypatch.setattr(command, "folder_of", lambda rig, settings: tmp_path)
    search = command.search
    assert search(tmp_path, who="INES", what="VOICE") == 0
    first, second = capsys.readouterr().out.splitlines()
    assert "ines through page: send level of voice in kit to 0.0 dB: limited, stands at" in first
    assert first.endswith("your limit is -6.0 dB")
    assert second.endswith("to off: taken")
    assert search(tmp_path, who="ines", refused=True, as_json=True, since="1h") == 0
    (line,) = capsys.readouterr().out.splitlines()
    found = json.loads(line)
    assert (found["outcome"], found["rule"], found["times"]) == ("limited", "own ceiling", 1)
    assert search(tmp_path, who="engineer", what="master") == 0
    assert len(capsys.readouterr().out.splitlines()) == 3
    assert search(tmp_path, what="nobody ever") == 0
    assert capsys.readouterr().out == ""
    with pytest.raises(BridgeError, match=r"--since: found 'soon', expected a time like 90s"):
        search(tmp_path, since="soon")
    history._base.execute("ROLLBACK")
    evening.keeper.close()


def test_no_history_is_an_error_that_says_where(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rig: Rig
) -> None:
    monkeypatch.setattr(command, "load_rig", lambda path: rig)
    monkeypatch.setattr(command, "folder_of", lambda rig, settings: tmp_path)
    with pytest.raises(BridgeError, match=r"history.sqlite: found no history, expected"):
        command.search(tmp_path)
    (tmp_path / schema.NAME).write_bytes(b"no history at all" * 100)
    with pytest.raises(BridgeError, match=r"expected a history that can be read"):
        command.search(tmp_path)


# -- files that cannot be used --------------------------------------------------------------------


def one_row(rig: Rig) -> Folder:
    folder = Folder()
    folder.note("page", verdict(rig.layout.slot(P.SEND_LEVEL, 0, 0)), 5.0)
    folder.close(math.inf)
    return folder


def written(folder: Path, rig: Rig, said: Said, now_s: float = 100.0) -> History:
    history = History(folder, rig, said)
    history.put(one_row(rig).ready[0])
    history.look(now_s)
    return history


def test_an_older_file_is_brought_up_to_date_and_keeps_its_rows(tmp_path: Path, rig: Rig) -> None:
    base = sqlite3.connect(tmp_path / schema.NAME)
    schema.migrate(base, 0)
    base.execute(
        "INSERT INTO gesture (at, until, through, who, name, what, label, kind, outcome, rule, "
        "wanted, level) VALUES (1, 1, 'box', 'ines', 'Ines', 'w', 'l', 'level', 'taken', '', 0, 0)"
    )
    base.commit()
    base.close()
    said = Said()
    written(tmp_path, rig, said)
    assert said.all == ["kept"]
    assert [(row["through"], row["times"]) for row in rows(tmp_path)] == [("box", 1), ("page", 1)]
    assert [row["id"] for row in rows(tmp_path)] == [1, 2]
    assert rows(tmp_path, "PRAGMA user_version")[0][0] == schema.SCHEMA == 2
    assert rows(tmp_path, "SELECT count(*) FROM event")[0][0] == 0


def test_a_migration_that_fails_leaves_the_file_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    base = sqlite3.connect(tmp_path / schema.NAME, isolation_level=None)
    schema.migrate(base, 0)
    broken = (schema.MIGRATIONS[0], schema.MIGRATIONS[1] + "CREATE TABLE event (x);")
    monkeypatch.setattr(schema, "MIGRATIONS", broken)
    with pytest.raises(sqlite3.Error):
        schema.migrate(base, 1)
    base.close()
    assert rows(tmp_path, "PRAGMA user_version")[0][0] == 1
    assert rows(tmp_path, "SELECT count(*) FROM sqlite_master WHERE name = 'event'")[0][0] == 0


def test_a_newer_file_is_left_alone_and_said_once(tmp_path: Path, rig: Rig) -> None:
    base = sqlite3.connect(tmp_path / schema.NAME)
    base.execute("PRAGMA user_version = 3")
    base.close()
    before = (tmp_path / schema.NAME).read_bytes()
    said = Said()
    history = written(tmp_path, rig, said)
    history.look(1000.0)
    (text,) = said.all
    assert text.startswith("not kept: ") and "has form 3, and this version knows 2" in text
    assert (tmp_path / schema.NAME).read_bytes() == before
    assert not history._waiting, "nothing piles up"


@pytest.mark.parametrize("junk", [b"", b"SQLite format 3\0" + b"\xff" * 4000, b"junk" * 2000])
def test_a_damaged_file_is_set_aside_and_a_new_one_begun(
    tmp_path: Path, rig: Rig, junk: bytes
) -> None:
    (tmp_path / schema.NAME).write_bytes(junk)
    said = Said()
    written(tmp_path, rig, said)
    assert len(rows(tmp_path)) == 1
    aside = list(tmp_path.glob("*.damaged-*"))
    if junk:  # an empty file is an empty history
        assert [path.read_bytes() for path in aside] == [junk]
        assert "is damaged" in said.all[0] and aside[0].name in said.all[0]
    else:
        assert aside == []
    assert said.all[-1] == "kept"


def test_a_file_damaged_in_the_middle_is_set_aside(tmp_path: Path, rig: Rig) -> None:
    history = written(tmp_path, rig, Said())
    for number in range(300):
        history.put(one_row(rig).ready[0]._replace(number=number + 1))
    history.look(200.0)
    history._let_go()
    data = bytearray((tmp_path / schema.NAME).read_bytes())
    data[4096:] = bytes(byte ^ 0x5A for byte in data[4096:])
    (tmp_path / schema.NAME).write_bytes(data)
    said = Said()
    written(tmp_path, rig, said)
    assert "is damaged" in said.all[0]
    assert len(rows(tmp_path)) == 1


def test_a_folder_that_cannot_be_made_is_said_once_and_tried_again(
    tmp_path: Path, rig: Rig
) -> None:
    (tmp_path / "journal").write_text("a file where the folder should be")
    said = Said()
    history = written(tmp_path / "journal", rig, said)
    history.look(100.0 + RETRY_S / 2)
    history.look(101.0 + RETRY_S)
    assert len(said.all) == 1 and said.all[0].startswith("not kept: ")
    (tmp_path / "journal").unlink()
    history.look(102.0 + 2 * RETRY_S)
    assert said.all[1:] == ["kept"]
    assert len(rows(tmp_path / "journal")) == 1, "what waited is not lost"


def test_rows_that_a_disk_refuses_wait_for_the_next_try(tmp_path: Path, rig: Rig) -> None:
    said = Said()
    history = written(tmp_path, rig, said)
    base = sqlite3.connect(tmp_path / schema.NAME)
    base.execute("CREATE TRIGGER full BEFORE INSERT ON event BEGIN SELECT RAISE(ABORT, 'f'); END")
    base.commit()
    history.put(one_row(rig).ready[0]._replace(number=2))
    history.put((7.0, "start", "Ferry Lane"))
    history.look(200.0)
    assert said.all == ["kept", "not kept: f"]
    assert len(rows(tmp_path)) == 1
    base.execute("DROP TRIGGER full")
    base.commit()
    base.close()
    history.look(201.0 + RETRY_S)
    assert said.all[2:] == ["kept"]
    assert [row["id"] for row in rows(tmp_path)] == [1, 2]
    assert len(rows(tmp_path, "SELECT * FROM event")) == 1


def test_what_waits_has_a_bound_and_is_counted_beyond(tmp_path: Path, rig: Rig) -> None:
    history = History(tmp_path, rig, Said())
    row = one_row(rig).ready[0]
    for _ in range(WAITING_MAX + 7):
        history.put(row)
    assert history.lost == 7


def test_copies_that_cannot_be_written_are_said_once_and_tried_again(tmp_path: Path) -> None:
    place = tmp_path / "journal"
    place.write_text("a file where the folder should be")
    said = Said()
    copies = Copies(place, lambda: b"image", lambda: False, said)
    for now_s in (0.0, COPY_RETRY_S / 2, COPY_RETRY_S + 1):
        copies.look(now_s)
    assert copies.written == 0
    assert len(said.all) == 1 and said.all[0].startswith("not kept: ")
    place.unlink()
    copies.look(2 * COPY_RETRY_S + 2)
    assert (copies.written, said.all[1:]) == (1, ["kept"])
    copies.close()


FULL_DISK = """
import resource, signal, sys
from pathlib import Path
from support.kept import Evening
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (512, 512))  # no file may become longer
evening = Evening(Path(sys.argv[1])).playing()
keeper = evening.keeper
keeper._copies.look(1e9)
keeper._history.look(1e9)
print(sorted(keeper.state().items()))
print(evening.engine.buses.state(0), evening.house.returned.way)
"""


def test_with_a_full_disk_the_bridge_runs_and_says_what_it_does_not_keep(tmp_path: Path) -> None:
    tests = Path(__file__).parents[2]
    done = subprocess.run(
        [sys.executable, "-c", f"import sys; sys.path.insert(0, {str(tests)!r})\n{FULL_DISK}",
         str(tmp_path)],
        capture_output=True, text=True, timeout=120, cwd=tests.parent,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    states, running = done.stdout.splitlines()
    assert running == "open cold"
    for part in ("disk", "history", "levels"):
        assert f"('{part}', 'not kept" in states, states
