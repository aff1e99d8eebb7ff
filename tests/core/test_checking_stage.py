"""What `check` finds on a stage: its loops, limits, joins, and what nobody declared. I/O."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from pathlib import Path

import pytest
from support.checked import RIG, Bench

from bridge.checking import Report
from bridge.errors import FileError

MIXED = ('id = "front"\nconsole = 2', 'id = "front"\nconsole = 2\nstart_mix = { voice = -20 }')
MAUD = ('name = "Ines"\nbuses = ["kit"]',
        'name = "Ines"\nbuses = ["kit"]\n'
        '[[performer]]\nid = "maud"\nbuses = ["front"]')  # fmt: skip
STAGE = """
[stage]
margin_db = 6
device_a = 16
[[microphone]]
channel = "voice"
at = [0.0, 1.0, 0.3]
pattern = "omni"
nominal_spl_db = 90
[[loudspeaker]]
id = "wedge"
label = "Maud's wedge"
bus = "front"
at = [0.0, 0.0, 0.3]
aim_at = [0.0, 1.0, 0.3]
active = true
spl_1m_db = 90
max_spl_db = 110
mains_a = 2
[[loudspeaker]]
id = "fill"
bus = "kit"
at = [-3.0, 9.0, 0.3]
aim_at = [-3.0, 99.0, 0.3]
active = false
sensitivity_db = 97
impedance_ohm = 8
power_w = 300
[[ear]]
performer = "ines"
at = [-3.0, 10.0, 0.3]
[[ear]]
performer = "maud"
at = [0.0, 2.0, 0.3]
most_db = 100
[[amplifier]]
id = "rack"
power_8_ohm_w = 300
power_4_ohm_w = 500
least_ohm = 4
gain_db = 20
mains_a = 6
[[line]]
from = { bus = "front" }
to = { loudspeaker = "wedge" }
cable = "signal"
length_m = 5
[[line]]
from = { bus = "kit" }
to = { amplifier = "rack", input = 1 }
cable = "signal"
length_m = 5
[[line]]
from = { amplifier = "rack", output = 1 }
to = { loudspeaker = "fill" }
cable = "loudspeaker"
length_m = 5
mm2 = 2.5
"""


class Staged(Bench):
    """A bench with a stage to spoil."""

    def on_stage(self, *changes: tuple[str, str], rig: tuple[tuple[str, str], ...] = ()) -> Report:
        text = STAGE
        for old, new in changes:
            assert text.count(old) == 1, old
            text = text.replace(old, new)
        return self.check(MIXED, MAUD, *rig, more=text)

    def told(self, *changes: tuple[str, str], kind: str = "warnings") -> list[str]:
        """Warnings or notes, without folder and line."""
        found: list[str] = getattr(self.on_stage(*changes), kind)
        return [each.split(" ", 1)[1] for each in found]


@pytest.fixture
def bench(tmp_path: Path) -> Staged:
    return Staged(tmp_path)


def test_a_sound_stage_has_no_warnings_and_no_notes(bench: Staged) -> None:
    assert bench.told() == [] and bench.told(kind="notes") == []


# -- the table ----------------------------------------------------------------------------------


def test_the_table_has_the_largest_coupling_and_how_far_the_send_may_go(bench: Staged) -> None:
    # By hand: 90 dB SPL at 1 m into an omni with nominal level at 90 dB SPL: 0 dB once round at
    # unity. With 6 dB of margin the send may stand at -6 dB.
    report = bench.on_stage()
    rows = [line.split() for line in report.text().splitlines()]
    assert ["front", "voice", "0.0", "dB", "-6.0", "dB", "-6.0", "dB"] in rows
    data = json.loads(json.dumps(report.data(), allow_nan=False))["stage"]
    front = next(row for row in data["buses"] if row["bus"] == "front")
    assert front["channel"] == "voice"
    assert front["coupling_db"] == pytest.approx(0.0, abs=1e-9)
    assert front["alone_db"] == pytest.approx(-6.0, abs=1e-9)


def test_the_headroom_is_that_of_the_levels_at_start(bench: Staged) -> None:
    # Send -20 dB, master -40 dB at start and 0 dB nominal, coupling 0 dB.
    data = bench.on_stage().data()["stage"]
    assert data["start_headroom_db"] == pytest.approx(60.0, abs=0.01)
    assert data["nominal_headroom_db"] == pytest.approx(20.0, abs=0.01)
    assert data["margin_db"] == 6 and data["ring_marks"] == 0
    assert "60.0 dB from the first ring, 20.0 dB with masters at nominal" in bench.on_stage().text()


MARK = """
[[mark]]
channel = "voice"
bus = "front"
level_db = {level}
when = 2026-11-03T18:02:11Z
by = "Ruth"
"""


def test_a_ring_mark_beats_the_prediction(bench: Staged) -> None:
    bench.path.with_name("house.marks.toml").write_text(MARK.format(level=4.0))
    report = bench.on_stage()
    data = report.data()["stage"]
    # Send -20 dB, master at nominal 0 dB: 24 dB below the level at which it rang.
    assert data["nominal_headroom_db"] == pytest.approx(24.0, abs=0.01)
    assert data["ring_marks"] == 1
    assert "ring marks in force: 1; the rest are estimates" in report.text()


def test_a_damaged_file_of_marks_is_an_error_before_the_show(bench: Staged) -> None:
    bench.path.with_name("house.marks.toml").write_text(MARK.format(level='"loud"'))
    with pytest.raises(FileError, match="level_db"):
        bench.on_stage()


def test_a_ceiling_at_nominal_falls_with_the_nominal_level_of_the_bus(bench: Staged) -> None:
    rig = (("master_ceiling_db = 0", "master_ceiling_db = -10"),
           ("start_mix", "nominal_db = -10\nstart_mix"))  # fmt: skip
    kit = ('id = "kit"\nconsole = 1', 'id = "kit"\nconsole = 1\nnominal_db = -10')
    report = bench.on_stage(rig=(rig[0], kit))
    first = bench.on_stage().data()["stage"]["buses"][1]["alone_db"]
    assert report.data()["stage"]["buses"][1]["alone_db"] == pytest.approx(first)
    text = MIXED[1].replace("start_mix", "nominal_db = -10\nstart_mix")
    lower = bench.check((MIXED[0], text), MAUD, rig[0], kit, more=STAGE)
    assert lower.data()["stage"]["buses"][1]["alone_db"] == pytest.approx(first + 10.0)


def test_with_amplitudes_the_worst_case_of_two_wedges_counts(bench: Staged) -> None:
    # Two equal paths: 3.01 dB as powers, 6.02 dB as amplitudes.
    twin = STAGE[STAGE.index('[[loudspeaker]]\nid = "wedge"') : STAGE.index("mains_a = 2")]
    twin = twin.replace('"wedge"', '"twin"').replace("Maud's wedge", "Twin")
    line = '[[line]]\nfrom = { loudspeaker = "wedge" }\nto = { loudspeaker = "twin" }\n' \
           'cable = "signal"\nlength_m = 2\n'  # fmt: skip
    levels = []
    for bound in ("power", "amplitude"):
        stage = STAGE.replace("margin_db = 6", f'margin_db = 6\nbound = "{bound}"')
        report = bench.check(MIXED, MAUD, more=stage + twin + line)
        levels.append(report.data()["stage"]["buses"][1]["coupling_db"])
    assert levels == [pytest.approx(3.0103, abs=1e-4), pytest.approx(6.0206, abs=1e-4)]


def test_a_bus_that_no_microphone_hears_has_an_empty_row(bench: Staged) -> None:
    report = bench.on_stage((STAGE[STAGE.index("[[microphone]]") : STAGE.index("90\n") + 3], ""))
    assert all(row["channel"] is None for row in report.data()["stage"]["buses"])
    assert report.data()["stage"]["start_headroom_db"] is None
    assert "nothing comes back into the start mixes" in report.text()


def test_a_rig_without_a_stage_says_nothing_of_one(bench: Staged) -> None:
    report = bench.check()
    assert report.data()["stage"] is None and report.data()["notes"] == []
    assert "stage" not in report.text()


def test_numpy_is_loaded_for_a_stage_alone(bench: Staged) -> None:
    bench.path.write_text(RIG, encoding="utf-8")
    code = ("import sys, pathlib; from bridge.checking import check; "
            f"check(pathlib.Path({str(bench.path)!r})); print('numpy' in sys.modules)")  # fmt: skip
    for more, loaded in (("", "False"), ("[stage]\n", "True")):
        bench.path.write_text(RIG + more, encoding="utf-8")
        ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
        assert ran.stdout.strip() == loaded, ran.stderr


# -- dangers ------------------------------------------------------------------------------------


def test_start_mixes_past_the_margin_are_a_danger(bench: Staged) -> None:
    (warning,) = bench.told(("spl_1m_db = 90", "spl_1m_db = 145"), ("max_spl_db = 110\n", ""),
                            ("most_db = 100\n", ""))  # fmt: skip
    assert warning.startswith("bus.1.start_mix.voice: the start mixes are 5.0 dB from the first "
                              "ring, and the margin is 6 dB; voice in front")  # fmt: skip


def test_start_mixes_at_the_margin_are_none(bench: Staged) -> None:
    changes = (("spl_1m_db = 90", "spl_1m_db = 143.99"), ("max_spl_db = 110\n", ""))
    assert bench.told(*changes, ("most_db = 100\n", "")) == []


def test_masters_that_cannot_come_to_nominal_are_noted(bench: Staged) -> None:
    (note,) = bench.told(("spl_1m_db = 90", "spl_1m_db = 105"), kind="notes")
    assert "with every master at nominal the start mixes are 5.0 dB from the first ring" in note


def test_a_start_above_an_ears_limit_is_a_danger(bench: Staged) -> None:
    # At 2 m: 90 - 6.02 - 60 = 23.98 dB.
    (warning,) = bench.told(("most_db = 100", "most_db = 20"))
    assert warning.startswith("ear.1.most_db: the start mixes are 4.0 dB above it, by estimate")
    assert "harms hearing" in warning
    assert bench.told(("most_db = 100", "most_db = 24")) == []
    assert "0.1 dB above it" in bench.told(("most_db = 100", "most_db = 23.9"))[0]


def test_a_start_above_what_a_loudspeaker_can_give_is_a_danger(bench: Staged) -> None:
    loud = (MIXED[1].replace("start_mix = { voice = -20 }",
            "start_db = 0\nstart_mix = { voice = 0, kick = 0 }"))  # fmt: skip
    stage = STAGE.replace("max_spl_db = 110", "max_spl_db = 90").replace("most_db = 100\n", "")
    stage = stage.replace("nominal_spl_db = 90", "nominal_spl_db = 110")
    found = bench.check((MIXED[0], loud), MAUD, more=stage).warnings
    # Two channels at nominal are 3 dB more than one.
    assert any("loudspeaker.0: the start mixes ask 3.0 dB more of Maud's wedge" in w for w in found)


def test_wrong_joins_are_dangers_with_their_lines(bench: Staged) -> None:
    (warning,) = bench.on_stage(('cable = "loudspeaker"', 'cable = "instrument"')).warnings
    assert f"house.toml:{bench.line(chr(34) + 'instrument')} line.2.cable: fill takes" in warning


def test_power_that_falls_with_the_impedance_is_a_danger(bench: Staged) -> None:
    (warning,) = bench.told(("power_4_ohm_w = 500", "power_4_ohm_w = 200"))
    assert warning.startswith("amplifier.0.power_4_ohm_w: 200 W, less than power_8_ohm_w with 300")
    (warning,) = bench.told(("power_4_ohm_w = 500", "power_2_ohm_w = 200"))
    assert warning.startswith("amplifier.0.power_2_ohm_w: 200 W, less than power_8_ohm_w")


def test_more_current_than_the_device_carries_for_hours_is_a_danger(bench: Staged) -> None:
    # 8 A for hours ask for 10 A (NEC 210.20(A): 125 %).
    assert bench.told(("device_a = 16", "device_a = 10")) == []
    (warning,) = bench.told(("device_a = 16", "device_a = 9.9"))
    assert warning.startswith("stage.device_a: 8.0 A for hours ask for a rating of 10.0 A")
    assert "licensed electrician" in warning


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("at = [-3.0, 9.0, 0.3]", "at = [-3.0, 9.0, 2.51]", "loudspeaker.1.at: fill hangs"),
        ("at = [0.0, 1.0, 0.3]\n", "at = [0.0, 1.0, 3.0]\n", "microphone.0.at: voice hangs"),
    ],
)
def test_what_hangs_is_a_matter_of_licensed_riggers(
    bench: Staged, old: str, new: str, key: str
) -> None:
    stage = STAGE.replace(old, new, 1)
    (warning,) = bench.check(MIXED, MAUD, more=stage).warnings
    assert key in warning and "licensed" in warning
    stage = STAGE.replace(old, new.replace("2.51", "2.5").replace("3.0]\n", "2.5]\n"), 1)
    assert bench.check(MIXED, MAUD, more=stage).warnings == []


# -- notes --------------------------------------------------------------------------------------


def test_a_performer_without_an_ear_is_noted(bench: Staged) -> None:
    ear = STAGE[STAGE.index("[[ear]]") : STAGE.index('[[ear]]\nperformer = "maud"')]
    (note,) = bench.told((ear, ""), kind="notes")
    assert note.startswith("performer.0: no [[ear]] says where ines listens")


@pytest.mark.parametrize(
    ("old", "new", "needed"),
    [
        ("spl_1m_db = 90\nmax_spl_db = 110\n", "", "add spl_1m_db"),
        ("sensitivity_db = 97\n", "", "add spl_1m_db, or sensitivity_db and its lines"),
        ("impedance_ohm = 8\n", "", "add impedance_ohm"),
    ],
)
def test_a_loudspeaker_whose_level_is_not_known_is_noted(
    bench: Staged, old: str, new: str, needed: str
) -> None:
    notes = bench.told((old, new), ("most_db = 100\n", ""), kind="notes")
    assert len(notes) == 1 and notes[0].startswith("loudspeaker.")
    assert "is not known" in notes[0] and notes[0].endswith(f"; {needed}")


def test_a_passive_loudspeaker_without_its_line_is_noted(bench: Staged) -> None:
    line = STAGE[STAGE.index("[[line]]\nfrom = { amplifier") :]
    (note,) = bench.told((line, ""), kind="notes")
    assert note.endswith("add the line that comes from its amplifier's output")


def test_a_limit_at_an_ear_that_nothing_reaches_is_noted(bench: Staged) -> None:
    silent = STAGE.replace("spl_1m_db = 90\nmax_spl_db = 110\n", "").replace(
        "sensitivity_db = 97\n", ""
    )
    notes = bench.check(MIXED, MAUD, more=silent).notes
    assert any("ear.1.most_db: nothing is known of what plays there" in note for note in notes)


def test_a_bus_that_ends_nowhere_is_noted(bench: Staged) -> None:
    fill = STAGE[STAGE.index('[[loudspeaker]]\nid = "fill"') : STAGE.index("[[ear]]")]
    line = STAGE[STAGE.index("[[line]]\nfrom = { amplifier") :]
    notes = bench.told((fill, ""), (line, ""), kind="notes")
    assert [note.split(":")[0] for note in notes] == ["bus.0"]
    assert "kit has no [[loudspeaker]] and no in_ears: the stage does not bind it" in notes[0]


def test_a_send_beyond_the_console_counts_with_its_ceiling_and_is_noted(bench: Staged) -> None:
    """The console's map reaches one channel only; the other one's sends may be anywhere."""
    path = Path(RIG.split('map = "')[-1].split('"')[0])
    text = path.read_text(encoding="utf-8")
    cut = [line for line in text.splitlines() if not line.startswith("channels")]
    entries = "\n".join(cut).replace('parameter = "send level"',
                                     'parameter = "send level"\nchannels = [1, 1]')  # fmt: skip
    bench.map("few.toml", entries)
    report = bench.on_stage(rig=((str(path), "few.toml"),))
    assert any("can be neither set nor read" in note for note in report.notes)
    # Both sends of the voice at their ceiling of 0 dB, masters at -40 dB. The wedge: 0 dB. The
    # fill: 24 dBu are 12.28 V, 18.84 W in 8 ohm; 97 + 12.75 - 18.63 (8.544 m) - 12 (rear) - 90
    # = -10.88 dB, and 10 log10(1 + 10^-1.088) = 0.341 dB.
    assert report.data()["stage"]["start_headroom_db"] == pytest.approx(40.0 - 0.341, abs=0.001)


def test_every_figure_of_the_data_is_finite_or_null(bench: Staged) -> None:
    for row in bench.on_stage().data()["stage"]["buses"]:
        assert all(v is None or isinstance(v, str) or math.isfinite(v) for v in row.values())
