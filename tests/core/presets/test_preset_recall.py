"""A recall before the rules: its order, what it may not do, and what it says afterwards."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import pytest
from preset_house import INES, MAUD, QUIET, RUTH, house, preset
from support.house import House

from bridge.mix.gesture import SET, Verdict
from bridge.presets.preset import PresetError, parse_preset, text_of
from bridge.presets.recall import Recall, Report, undone
from bridge.presets.values import Wanted, copied, differences, safe_slots, stored, targets
from bridge.rig.layout import Parameter
from bridge.units import OFF

WHEN = datetime(2025, 3, 1, tzinfo=UTC)


class Recalled:
    """A recall of a text in a house, wish by wish."""

    def __init__(self, made: House, text: str, who: int = RUTH) -> None:
        self.house, self.wished = made, []
        self.report = Report("test", who)
        m = made.engine.matrix
        self.before = list(m.asked)
        recall = Recall(
            made.engine, self._wish, targets(preset(text), m),
            safe=safe_slots(made.rig, m), report=self.report,
        )  # fmt: skip
        while recall.step(1):
            pass
        made.pump()

    def _wish(self, slot: int, value: float) -> Verdict:
        self.wished.append((slot, value))
        made = self.house
        return made.engine.wish(self.report.who, slot, SET, value, made.now_s)


def test_a_recall_brings_the_mix_to_what_was_stored() -> None:
    made = house()
    done = Recalled(made, QUIET)
    asked = made.engine.matrix.asked
    assert all(asked[slot] == value for slot, value in targets(preset(QUIET), made.engine.matrix))
    assert done.report.whole and len(done.report.changes) == 6


def test_what_does_not_stand_in_a_preset_is_left_alone() -> None:
    made = house()
    done = Recalled(made, QUIET)
    named = {slot for slot, _ in targets(preset(QUIET), made.engine.matrix)}
    now = made.engine.matrix.asked
    changed = {s for s in made.layout if now[s] == now[s] and now[s] != done.before[s]}
    assert changed <= named


def test_everything_quieter_is_wished_before_anything_louder() -> None:
    made = house()
    made.wish(RUTH, made.send("bass", "kit"), -3.0)
    made.wish(RUTH, made.send("bass", "front"), -40.0)
    made.wish(RUTH, made.slot(Parameter.SEND_ON, "voice", "kit"), 0.0)
    text = QUIET.replace("[bus.front]", "bass = { level_db = -20, tap = 'post' }\n[bus.front]")
    text = text.replace(
        "send = { kick = { level_db = -30 }, voice = { level_db = -30 } }",
        "[bus.kit.send]\nkick = { level_db = -2 }\nvoice = { on = true }",
    )
    text += "send = { kick = { level_db = -2 } }\n"
    done = Recalled(made, text)
    m, now = made.engine.matrix, list(done.before)
    ranks = []
    for slot, value in done.wished:
        if m.tap <= slot < m.master:
            ranks.append(1)
        else:
            ranks.append(0 if value <= now[slot] else 2)
    assert ranks == sorted(ranks) and set(ranks) == {0, 1, 2}


def test_a_fall_is_told_at_once_and_a_raise_rides_the_ramp() -> None:
    made = house()
    kick, voice = made.send("kick", "kit"), made.send("voice", "kit")
    Recalled(made, QUIET.replace("voice = { level_db = -30", "voice = { level_db = -5", 1))
    assert made.told(kick) == -30.0
    assert made.told(voice) <= -20.0 + 1.0
    begun_s, begun_db = made.now_s, made.told(voice)
    made.run(1.0)
    assert made.told(voice) <= begun_db + 6.0 * (made.now_s - begun_s) + 1.0
    made.run(5.0)
    assert made.told(voice) == -5.0


def test_a_recall_passes_no_ceiling_and_says_which_one_bound() -> None:
    made = house()
    done = Recalled(made, QUIET.replace("master_db = -20", "master_db = 12"))
    made.run(30)
    assert made.told(made.master("kit")) <= -3.0
    assert [v.rule for v in done.report.left] == ["bus ceiling"]
    assert "the limit of this mix is -3.0 dB" in done.report.text(made.rig)


def test_a_performer_recalls_only_what_is_theirs() -> None:
    made = house()
    done = Recalled(made, QUIET, INES)
    m = made.engine.matrix
    assert {change.slot for change in done.report.changes} <= {
        made.master("kit"), made.send("kick", "kit"), made.send("voice", "kit")
    }  # fmt: skip
    assert made.master("front") in done.report.foreign
    assert all(slot == slot and m.asked[slot] == done.before[slot] for slot in done.report.foreign)
    assert "not Ines's to move: " in done.report.text(made.rig)


def test_a_performers_own_ceiling_binds_their_recall() -> None:
    made = house()
    done = Recalled(made, QUIET.replace("kick = { level_db = -30", "kick = { level_db = -1"), INES)
    assert made.engine.matrix.asked[made.send("kick", "kit")] == -6.0
    assert [v.rule for v in done.report.left] == ["own ceiling"]


def test_a_frozen_or_held_mix_is_not_moved_by_its_performers_recall() -> None:
    for parameter, rule in ((Parameter.FREEZE, "frozen"), (Parameter.BUS_HOLD, "held")):
        made = house()
        at = (INES,) if parameter is Parameter.FREEZE else (-1, 0)
        made.wish(RUTH, made.layout.slot(parameter, *at), 1.0)
        done = Recalled(made, QUIET, INES)
        assert not done.report.changes and {v.rule for v in done.report.left} == {rule}


SAFE = """
[[recall_safe]]
channel = "voice"
bus = "kit"
[[recall_safe]]
bus = "side"
[[recall_safe]]
channel = "kick"
"""


def test_what_is_declared_safe_is_skipped_and_said() -> None:
    made = house(SAFE)
    done = Recalled(made, QUIET)
    skipped = {made.send("voice", "kit"), made.master("side"), made.send("kick", "kit")}
    assert set(done.report.safe) == skipped
    assert not skipped & {slot for slot, _ in done.wished}
    assert made.send("voice", "front") in {slot for slot, _ in done.wished}
    assert "3 kept safe from recalls: " in done.report.text(made.rig)


def test_a_safe_channel_keeps_its_sends_and_a_safe_bus_its_master_too() -> None:
    made = house(SAFE)
    safe = safe_slots(made.rig, made.engine.matrix)
    name = made.layout.name
    assert {name(s) for s in safe if "level" in name(s)} == {
        "send level of voice in kit", *(f"send level of kick in {b}" for b in made.layout.buses),
        *(f"send level of {c} in side" for c in made.layout.channels)}  # fmt: skip
    assert {name(s) for s in safe if "master" in name(s)} == {"bus master of side"}


def test_a_scope_narrows_what_is_recalled() -> None:
    made = house()
    text = QUIET.replace(
        '["kit", "front", "side"]', '["kit"]\nchannels = ["voice"]\nwhat = ["level"]'
    )
    assert Recalled(made, text).wished == [(made.send("voice", "kit"), -30.0)]


def test_what_is_there_already_is_not_wished_again() -> None:
    made = house()
    Recalled(made, QUIET)
    again = Recalled(made, QUIET)
    assert not again.wished and again.report.there == 6 and again.report.whole


def test_a_silent_console_takes_falls_and_refuses_raises_with_the_reason() -> None:
    made = house()
    made.engine.console_lost()
    text = QUIET.replace("voice = { level_db = -30", "voice = { level_db = -5", 1)
    done = Recalled(made, text)
    assert made.told(made.send("kick", "kit")) == -30.0
    assert made.engine.matrix.asked[made.send("voice", "kit")] == -20.0
    assert {v.rule for v in done.report.left} == {"console silent"}


def test_a_closed_bus_is_not_opened_by_a_recall() -> None:
    made = House().started()
    Recalled(made, QUIET)
    made.run(30)
    assert made.told(made.master("kit")) == OFF


def test_many_that_were_not_reached_are_counted_by_rule() -> None:
    made = house()
    report = Report("test", RUTH)
    slot = made.master("kit")
    report.left = [Verdict(1, slot, RUTH, 0.0, -3.0, "bus ceiling")] * 25
    lines = report.text(made.rig).splitlines()
    assert len(lines) == 22 and lines[-1] == "5 more not reached: 5 by the rule 'bus ceiling'"


# -- undo, copy, store, compare ------------------------------------------------------------------


def test_an_undo_wishes_back_what_nobody_has_moved_since() -> None:
    made = house()
    done = Recalled(made, QUIET)
    made.wish(RUTH, made.send("kick", "kit"), -22.0)
    made.wish(RUTH, made.send("voice", "kit"), -20.0)
    report = Report("undo", RUTH)
    back = dict(undone(done.report.changes, made.engine, report))
    assert back[made.master("kit")] == done.before[made.master("kit")]
    assert made.send("kick", "kit") not in back and report.moved == [made.send("kick", "kit")]
    assert made.send("voice", "kit") not in back and report.there == 1


def test_a_copy_takes_sends_and_only_with_word_the_master() -> None:
    made = house()
    m = made.engine.matrix
    plain = dict(copied(m, 0, 1, master=False))
    assert plain[made.send("kick", "front")] == -12.0
    assert plain[made.send("bass", "front")] == OFF
    assert made.master("front") not in plain
    assert made.master("front") in dict(copied(m, 0, 1, master=True))


def test_a_copy_leaves_out_what_the_console_cannot_be_told() -> None:
    made = house(without=(Parameter.SEND_PAN,))
    m = made.engine.matrix
    assert not any(m.pan <= slot < m.master for slot, _ in copied(m, 0, 1, master=False))


def test_what_is_stored_now_differs_in_nothing_from_now() -> None:
    made = house()
    made.wish(RUTH, made.send("bass", "kit"), -7.123456)
    m = made.engine.matrix
    kept = stored(m, made.rig, Wanted(["kit", "front"], note="first"), RUTH, WHEN)
    assert differences(targets(kept, m), m) == ()
    assert kept.by == "Ruth" and kept.note == "first"
    assert kept.bus["kit"].send["bass"].level_db == -7.13
    assert parse_preset(text_of(kept), "kept.toml", made.rig) == kept


def test_a_comparison_names_each_value_that_is_not_as_stored() -> None:
    made = house()
    m = made.engine.matrix
    kept = stored(m, made.rig, Wanted(["kit"]), RUTH, WHEN)
    made.wish(RUTH, made.send("kick", "kit"), -13.0)
    (found,) = differences(targets(kept, m), m)
    assert found == (made.send("kick", "kit"), -12.0, -13.0)


def test_only_what_was_wanted_is_stored() -> None:
    made = house()
    wanted = Wanted(["kit"], channels=["voice"], what=["level", "master"])
    kept = stored(made.engine.matrix, made.rig, wanted, RUTH, WHEN)
    assert set(kept.bus["kit"].send) == {"voice"}
    assert kept.bus["kit"].send["voice"].model_dump(exclude_none=True) == {"level_db": -20.0}


@pytest.mark.parametrize(
    ("wanted", "who", "said"),
    [
        (Wanted(["cellar"]), RUTH, "buses: found 'cellar', expected one of front, kit, side"),
        (Wanted([]), RUTH, "buses: found nothing"),
        (Wanted(["front"]), INES, "expected one of kit, the buses of Ines"),
        (Wanted(["kit"], channels=["flute"]), RUTH, "channels: found 'flute'"),
        (Wanted(["kit"], what=["eq"]), RUTH, "what: found 'eq', expected one of level"),
    ],
)
def test_what_cannot_be_stored_is_said(wanted: Wanted, who: int, said: str) -> None:
    made = house()
    with pytest.raises(PresetError, match=said):
        stored(made.engine.matrix, made.rig, wanted, who, WHEN)


def test_an_unknown_fader_or_level_is_not_stored() -> None:
    made = house()
    m = made.engine.matrix
    m.asked[made.send("kick", "kit")] = math.nan
    kept = stored(m, made.rig, Wanted(["kit"], what=["level"]), RUTH, WHEN)
    assert "kick" not in kept.bus["kit"].send


def test_maud_may_store_both_of_hers() -> None:
    made = house()
    kept = stored(made.engine.matrix, made.rig, Wanted(["front", "side"]), MAUD, WHEN)
    assert kept.by == "Maud" and set(kept.bus) == {"front", "side"}
