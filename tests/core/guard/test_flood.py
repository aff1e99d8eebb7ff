"""Controllers that flood or stick: found, thinned out, named, let go."""

from __future__ import annotations

import math

import pytest
from guarded import INES, MAUD, RUTH, Guarded

from bridge.guard.sieve import Sieve, Track
from bridge.maps.move import FLIP, SET, STEP, Move
from bridge.rig.layout import Parameter as P

KIT, FRONT = 0, 1


def flood(guarded: Guarded, seconds: float, number: int = INES, per_s: int = 300) -> None:
    """Many values of one fader, going up and down in between."""
    turn = 0
    for _ in range(round(seconds / 0.02)):
        for _ in range(per_s // 50):
            turn += 1
            guarded.say(number, "/my/1/level", "f", 0.30 + 0.1 * math.sin(turn / 40))
        guarded.run(0.02)


def test_a_flood_is_named_once_and_ends_by_itself_when_it_is_calm() -> None:
    guarded = Guarded()
    flood(guarded, 4.0)
    assert guarded.said == [] and guarded.troubled == {}
    flood(guarded, 6.0)
    ((worse, text),) = guarded.said
    assert (
        worse
        and text.startswith("ines-tablet: it floods (3")
        and list(guarded.troubled) == ["ines-tablet"]
    )
    guarded.run(10.0)
    assert guarded.troubled == {} and len(guarded.said) == 2
    worse, text = guarded.said[1]
    assert not worse and text.startswith("ines-tablet: calm again after")
    assert guarded.house.controllers.all[INES].sieve is None


def test_of_a_flood_each_control_passes_ten_values_a_second_and_ends_where_it_is() -> None:
    guarded = Guarded()
    flood(guarded, 8.0)
    before = guarded.house.controllers.counts[0]
    for turn in range(50):
        for step in range(6):  # rises only
            guarded.say(INES, "/my/1/level", "f", 0.2 + 5e-4 * (6 * turn + step))
        guarded.run(0.02)
    assert guarded.house.controllers.counts[0] - before <= 12
    guarded.run(1.0)
    send = guarded.slot(P.SEND_LEVEL, 0, KIT)
    last = -60 + (0.2 + 5e-4 * 299) / 0.5 * 45
    assert guarded.asked(send) == pytest.approx(min(last, -6.0), abs=0.01)


def test_in_a_flood_a_fall_and_silence_pass_at_once() -> None:
    guarded = Guarded()
    flood(guarded, 8.0)
    send = guarded.slot(P.SEND_LEVEL, 0, KIT)
    guarded.say(INES, "/my/1/level", "f", 0.05)
    assert guarded.asked(send) == pytest.approx(-55.5)
    guarded.say(INES, "/my/1/level", "f", 0.4)
    assert guarded.asked(send) == pytest.approx(-55.5), "a raise waits for its turn"
    guarded.say(INES, "/my/1/level", "f", 0.02)
    guarded.run(1.0)
    assert guarded.asked(send) == pytest.approx(-58.2), "the raise before it is forgotten"
    guarded.say(INES, "/my/1/on", "i", 0)
    assert guarded.asked(guarded.slot(P.SEND_ON, 0, KIT)) == 0.0
    master = guarded.slot(P.BUS_MASTER, -1, KIT)
    before = guarded.asked(master)
    guarded.say(INES, "/my/wheel", "i", -3)
    assert guarded.asked(master) == before - 1.5


def test_clicks_of_a_wheel_are_summed_up_while_they_wait() -> None:
    guarded = Guarded()
    flood(guarded, 8.0)
    master = guarded.slot(P.BUS_MASTER, -1, KIT)
    before = guarded.asked(master)
    for _ in range(4):
        guarded.say(INES, "/my/wheel", "i", 1)
    assert guarded.asked(master) == before
    guarded.run(0.3)
    assert guarded.asked(master) == before + 2.0


def test_a_flood_hurts_nobody_else() -> None:
    guarded = Guarded()
    flood(guarded, 8.0)
    other = guarded.slot(P.SEND_LEVEL, 0, FRONT)
    for position in (0.3, 0.31, 0.32):
        guarded.say(MAUD, "/my/1/level", "f", position)
        assert guarded.asked(other) == pytest.approx(-60 + position * 90)
    guarded.say(RUTH, "/quiet", "i", 1)
    assert guarded.asked(guarded.house.engine.matrix.silence) == 1.0


def test_a_hand_on_every_fader_is_no_flood() -> None:
    guarded = Guarded()
    flood(guarded, 3.0, per_s=800)
    guarded.run(2.0)
    flood(guarded, 30.0, per_s=150)
    assert guarded.said == []


def test_a_worn_pedal_that_goes_to_and_fro_is_named_with_its_control_and_let_go() -> None:
    guarded = Guarded()
    for turn in range(25 * 15):
        guarded.say(INES, "/my/1/level", "f", (0.30, 0.31)[turn % 2])
        guarded.run(0.04)
    ((worse, text),) = guarded.said
    assert worse and "its control for send level of kick in kit sticks" in text
    sent = len(guarded.sent)
    for turn in range(25 * 4):
        guarded.say(INES, "/my/1/level", "f", (0.30, 0.31)[turn % 2])
        guarded.run(0.04)
    assert len(guarded.sent) - sent <= 60, "twice a second up, and down again, and repeats"
    guarded.run(12.0)
    assert guarded.troubled == {} and guarded.said[1][0] is False
    assert "rests again" in guarded.said[1][1]


def test_other_controls_of_a_board_with_a_worn_one_stay_as_quick_as_ever() -> None:
    guarded = Guarded()
    for turn in range(25 * 15):
        guarded.say(INES, "/my/1/level", "f", (0.30, 0.31)[turn % 2])
        guarded.run(0.04)
    guarded.say(INES, "/my/2/level", "f", 0.45)
    assert guarded.asked(guarded.slot(P.SEND_LEVEL, 1, KIT)) == pytest.approx(-19.5)


def test_a_fader_that_is_swept_for_long_is_not_taken_for_worn() -> None:
    guarded = Guarded()
    for turn in range(25 * 30):
        guarded.say(INES, "/my/1/level", "f", 0.3 + 0.2 * math.sin(turn / 4))
        guarded.run(0.04)
    assert guarded.said == []


def test_a_fader_that_is_shaken_wildly_is_not_taken_for_worn() -> None:
    guarded = Guarded()
    for turn in range(25 * 20):
        guarded.say(INES, "/my/1/level", "f", 0.3 + 0.1 * (turn % 2) + 0.003 * (turn * 7 % 11))
        guarded.run(0.04)
    assert guarded.said == []


def test_a_move_whose_messages_come_twice_does_not_go_to_and_fro() -> None:
    track = Track()
    for value in (1.0, 1.0, 2.0, 2.0, 3.0, 3.0, 4.0, 4.0):
        track.note(SET, value)
    assert not track.to_and_fro(1.0)
    for value in (1.0, 2.0) * 4:
        track.note(SET, value)
    assert track.to_and_fro(1.0)


def test_a_value_that_is_repeated_for_ever_is_not_taken_for_worn() -> None:
    guarded = Guarded()
    for _ in range(25 * 30):
        guarded.say(INES, "/my/1/level", "f", 0.3)
        guarded.run(0.04)
    assert guarded.said == []


# -- the sieve by itself ---------------------------------------------------------------------------


def sieve() -> tuple[Guarded, Sieve]:
    guarded = Guarded()
    thin = Sieve(guarded.house.engine)
    thin.flooding = True
    return guarded, thin


def test_a_switch_that_is_flipped_twice_while_it_waits_stays_as_it_is() -> None:
    guarded, thin = sieve()
    on = guarded.slot(P.SEND_ON, 0, KIT)
    guarded.house.engine.matrix.asked[on] = 0.0
    flip = Move(0, on, FLIP, 0.0)
    assert thin.take([flip]) == [] and thin.take([flip]) == []
    assert thin.due(1.0) == []
    assert thin.take([flip]) == [] and thin.due(2.0) == [flip]


@pytest.mark.parametrize(
    ("parameter", "quiet"),
    [(P.BUS_MUTE, 1.0), (P.BUS_DIM, 1.0), (P.BUS_OPEN, 0.0), (P.SEND_ON, 0.0)],
)
def test_what_gets_quieter_for_certain_passes_and_its_opposite_waits(
    parameter: P, quiet: float
) -> None:
    guarded, thin = sieve()
    slot = guarded.slot(parameter, 0 if parameter is P.SEND_ON else -1, KIT)
    asked = guarded.house.engine.matrix.asked
    for action, value in ((SET, quiet), (FLIP, 0.0)):
        asked[slot] = 1.0 - quiet
        assert len(thin.take([Move(0, slot, action, value)])) == 1
        asked[slot] = quiet
        assert thin.take([Move(0, slot, action, 1.0 - quiet)]) == []
        thin.due(math.inf)


@pytest.mark.parametrize("parameter", [P.SEND_TAP, P.SEND_PAN])
def test_what_may_get_louder_either_way_waits(parameter: P) -> None:
    guarded, thin = sieve()
    slot = guarded.slot(parameter, 0, KIT)
    assert thin.take([Move(0, slot, SET, 0.0), Move(0, slot, SET, 1.0)]) == []
    assert thin.due(1.0) == [Move(0, slot, SET, 1.0)]


def test_a_value_that_is_no_number_never_passes_as_a_fall() -> None:
    guarded, thin = sieve()
    send = guarded.slot(P.SEND_LEVEL, 0, KIT)
    assert thin.take([Move(0, send, SET, math.nan), Move(0, send, STEP, math.nan)]) == []


def test_a_sound_level_meter_may_go_to_and_fro() -> None:
    guarded, thin = sieve()
    thin.flooding = False
    slot = guarded.house.engine.matrix.sound
    for _ in range(30):
        for turn in range(20):
            thin.take([Move(0, slot, SET, 85.0 + turn % 2)])
        assert thin.look(1.0, many=10, calm=5) == []


def test_a_sieve_keeps_one_move_a_slot_and_one_track_a_control() -> None:
    guarded, thin = sieve()
    send = guarded.slot(P.SEND_LEVEL, 0, KIT)
    thin.take([Move(0, send, SET, -5.0 + 1e-5 * turn) for turn in range(50_000)])
    assert len(thin.due(1.0)) == 1 and len(thin.tracks) == 1
