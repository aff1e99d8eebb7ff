"""What ears have had: an estimate unless it was measured, by the standard of the rig."""

from __future__ import annotations

import math

import pytest
from support.house import House
from support.stages import StagedHouse, staged_text

from bridge.mix.gesture import REFUSED, SET, TAKEN, explain
from bridge.mix.listening import Heard
from bridge.rig.layout import Parameter

NIOSH_95_S = 8 * 3600 / 2 ** ((95 - 85) / 3)
"""NIOSH 98-126 (1998): 85 dB(A) for 8 h, 3 dB exchange; 95 dB(A) for 47 min 37 s."""


def playing(stage: str = "") -> StagedHouse:
    """Ines has the click alone at nominal level in her ears: 95 dB(A) as declared."""
    house = StagedHouse(staged_text(stage)).started()
    assert isinstance(house, StagedHouse)
    for bus in ("front", "left", "ears"):
        house.wish(-1, house.slot(Parameter.BUS_OPEN, "", bus), 1.0)
    house.wish(-1, house.send("click", "ears"), 0.0)
    house.wish(-1, house.master("ears"), 0.0)
    house.run(10.0)
    return house


def pass_time(house: StagedHouse, seconds: float) -> None:
    """Wake the engine when it wants to be woken, and not more often."""
    until_s = house.now_s + seconds
    while (wake_s := house.engine.next_wake_s()) <= until_s:
        house.now_s = max(house.now_s, wake_s)
        house.engine.advance(house.now_s)
        house.pump()
    house.now_s = until_s


def ines(house: StagedHouse) -> Heard:
    (heard,) = (h for h in house.stage.listening.now(house.now_s) if h.performer == 1)
    assert isinstance(heard, Heard)
    return heard


def test_the_level_at_an_ear_is_what_the_bus_brings_there() -> None:
    house = playing()
    house.wish(-1, house.send("voice", "front"), -90.0)
    house.run(1.0)
    heard = ines(house)
    assert heard.level_db == pytest.approx(95.0, abs=0.01)
    assert not heard.measured, "an estimate"


def test_a_dose_grows_as_the_standard_says() -> None:
    house = playing()
    house.wish(-1, house.send("voice", "front"), -90.0)
    pass_time(house, 2.0)
    before = ines(house).percent
    pass_time(house, 1800.0)
    grown = ines(house).percent - before
    assert grown == pytest.approx(100.0 * 1800.0 / NIOSH_95_S, rel=2e-3)
    left_s = NIOSH_95_S * (1.0 - ines(house).percent / 100.0)
    assert ines(house).remaining_s == pytest.approx(left_s, rel=2e-3)


def test_by_osha_the_same_hour_is_less() -> None:
    house = playing('standard = "osha-limit"')
    house.wish(-1, house.send("voice", "front"), -90.0)
    pass_time(house, 2.0)
    before = ines(house).percent
    pass_time(house, 3600.0)
    # 29 CFR 1910.95: 90 dB(A) for 8 h, 5 dB exchange; 95 dB(A) for 4 h
    assert ines(house).percent - before == pytest.approx(25.0, rel=2e-3)


def test_a_measured_level_replaces_the_estimate_until_it_is_old() -> None:
    house = playing()
    slot = house.layout.slot(Parameter.SOUND_LEVEL, 1)
    verdict = house.wish(-1, slot, 88.0)
    assert verdict.outcome == TAKEN
    assert "88.0 dB(A)" in explain(verdict, house.rig)
    assert (ines(house).level_db, ines(house).measured) == (88.0, True)
    pass_time(house, 11.0)
    assert not ines(house).measured


def test_a_dose_of_which_a_part_was_estimated_stays_an_estimate() -> None:
    house = StagedHouse().started()
    assert isinstance(house, StagedHouse)
    slot = house.layout.slot(Parameter.SOUND_LEVEL, 1)
    for _ in range(30):
        house.wish(-1, slot, 94.0)
        pass_time(house, 1.0)
    assert ines(house).all_measured
    house = playing()
    house.wish(-1, slot, 94.0)
    pass_time(house, 5.0)
    assert not ines(house).all_measured


def test_warnings_come_once_at_each_declared_dose_and_say_what_they_rest_on() -> None:
    house = playing("warn_percent = [10.0, 50.0]")
    pass_time(house, 2400.0)
    notices = [n for n in house.stage.listening.notices if n.startswith("Ines")]
    assert len(notices) == 2
    assert "10 %" in notices[0] and "50 %" in notices[1]
    assert all("an estimate" in notice for notice in notices)


def test_a_machine_that_slept_has_not_listened() -> None:
    house = playing()
    pass_time(house, 2.0)
    before = ines(house).percent
    house.now_s += 7 * 3600.0
    house.engine.advance(house.now_s)
    assert ines(house).percent - before < 100.0 * 11.0 / NIOSH_95_S


def test_a_performer_cannot_be_measured_who_has_no_ear_declared() -> None:
    house = playing()
    everybody = house.layout.slot(Parameter.SOUND_LEVEL)
    assert house.wish(-1, everybody, 88.0).rule == "no ear here"
    plain = House().started()
    slot = plain.layout.slot(Parameter.SOUND_LEVEL, 0)
    assert plain.wish(-1, slot, 88.0).outcome == REFUSED


def test_a_performer_does_not_say_how_loud_it_is() -> None:
    house = playing()
    slot = house.layout.slot(Parameter.SOUND_LEVEL, 1)
    assert house.wish(1, slot, 60.0).rule == "not yours"


def test_no_number_is_no_level() -> None:
    house = playing()
    slot = house.layout.slot(Parameter.SOUND_LEVEL, 1)
    assert house.engine.wish(-1, slot, SET, math.nan, house.now_s).rule == "no number"


@pytest.mark.parametrize("level", [-0.1, 161.0, 1e9, math.inf, -math.inf])
def test_what_no_meter_says_is_refused_and_counts_for_nothing(level: float) -> None:
    house = playing()
    slot = house.layout.slot(Parameter.SOUND_LEVEL, 1)
    assert house.wish(-1, slot, level).rule == "no sound"
    pass_time(house, 5.0)
    assert not ines(house).measured
