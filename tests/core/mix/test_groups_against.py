"""A group against the rest: what one side gains the other loses, and every limit holds. Pure."""

from __future__ import annotations

import math

import pytest
from support.house import RIG, House
from support.stages import StagedHouse, staged_text

from bridge.errors import RigError
from bridge.mix.gesture import LIMITED, REFUSED, STEP, TAKEN, Verdict, explain
from bridge.mix.groups import Balance
from bridge.rig.layout import Parameter as P
from bridge.rig.rig import parse_rig
from bridge.units import FLOOR_DB, OFF

INES, MAUD, RUTH = 0, 1, -1
AGAINST = RIG.replace(
    'id = "others"\nbus = "kit"\nchannels = ["accordion", "voice", "bass"]',
    'id = "me"\nbus = "kit"\nchannels = ["kick"]\nagainst = ["accordion", "voice", "bass"]',
)
OTHERS = ("accordion", "voice", "bass")


class Mix(House):
    """Ines's mix: her bass drum against three others."""

    def __init__(self, text: str = AGAINST, **levels: float) -> None:
        super().__init__(text)
        self.started()
        self.open("kit")
        self.me = self.layout.slot(P.GROUP, 0)
        for channel in ("kick", *OTHERS):
            self.wish(RUTH, self.send(channel, "kit"), levels.get(channel, OFF))

    def asked(self, channel: str) -> float:
        return self.engine.matrix.asked[self.send(channel, "kit")]

    def levels(self) -> list[float]:
        return [self.asked(channel) for channel in OTHERS]

    def sum_db(self) -> float:
        """Powers of sources that have nothing to do with one another add (ISO 1683's levels)."""
        power = math.fsum(10 ** (self.asked(c) / 10) for c in ("kick", *OTHERS))
        return 10 * math.log10(power)

    def step(self, db: float, who: int = INES) -> Verdict:
        return self.wish(who, self.me, db, STEP)


def usual() -> Mix:
    return Mix(kick=-21.0, accordion=-20.0, voice=-18.0, bass=-24.0)


@pytest.mark.parametrize("db", [0.5, 1.5, 3.0, -0.5, -2.0, -6.0])
def test_what_the_group_gains_the_others_lose_and_the_sum_stays(db: float) -> None:
    mix = usual()
    before, distances = mix.sum_db(), [mix.asked("voice") - level for level in mix.levels()]
    verdict = mix.step(db)
    assert verdict.outcome == TAKEN
    assert verdict.level == pytest.approx(-21.0 + db)
    assert mix.asked("kick") == pytest.approx(-21.0 + db)
    assert mix.sum_db() == pytest.approx(before, abs=1e-9)
    after = [mix.asked("voice") - level for level in mix.levels()]
    assert after == pytest.approx(distances)
    assert (mix.asked("voice") < -18.0) == (db > 0)


def test_two_equal_sources_by_hand() -> None:
    # -10 dB each: powers 0.1 and 0.1. 1 dB up makes one 0.12589, which leaves 0.07411, -11.301 dB
    mix = Mix(kick=-10.0, voice=-10.0)
    mix.step(1.0)
    assert mix.asked("voice") == pytest.approx(-11.3014, abs=1e-4)


def test_steps_there_and_back_end_where_they_began() -> None:
    mix = usual()
    before = mix.levels()
    for db in (2.0, 1.0, -4.0, 1.0):
        assert mix.step(db).outcome == TAKEN
    assert mix.levels() == pytest.approx(before)
    assert mix.asked("kick") == pytest.approx(-21.0)


def test_the_console_gets_both_sides_and_the_group_rides_its_ramp() -> None:
    mix = usual()
    mix.run(20.0)
    mix.words.clear()
    mix.step(5.0)
    first = {slot: value for _, slot, value in mix.words}
    assert first[mix.send("voice", "kit")] == mix.asked("voice")  # a fall is told whole, at once
    assert first[mix.send("kick", "kit")] == pytest.approx(-20.0)  # a rise by its step
    mix.run(2.0)
    assert mix.told(mix.send("kick", "kit")) == pytest.approx(mix.asked("kick"))


def test_the_own_ceiling_ends_both_sides_and_the_verdict_says_so() -> None:
    mix = Mix(kick=-10.0, voice=-6.0)
    before = mix.sum_db()
    verdict = mix.step(7.0)
    assert (verdict.outcome, verdict.rule) == (LIMITED, "group ceiling")
    assert mix.asked("kick") == -6.0
    assert mix.sum_db() == pytest.approx(before)
    again = mix.levels()
    assert (mix.step(1.0).rule, mix.levels()) == ("group ceiling", again)


def test_the_others_give_what_they_have_and_no_more() -> None:
    mix = Mix(kick=-20.0, voice=-20.0)
    verdict = mix.step(6.0)
    assert (verdict.outcome, verdict.rule) == (LIMITED, "group floor")
    # all that there is, 2 x 0.01, is 0.02: -16.99 dB, and the voice is at the floor
    assert verdict.level == pytest.approx(-16.9897, abs=1e-3)
    assert mix.asked("voice") == pytest.approx(FLOOR_DB)
    assert "the others are down already" in explain(verdict, mix.rig)
    down = mix.step(-3.0103)
    assert down.outcome == TAKEN
    assert mix.asked("voice") == pytest.approx(-20.0, abs=0.1)


def test_nothing_is_gained_from_others_that_are_off() -> None:
    mix = Mix(kick=-20.0)
    verdict = mix.step(3.0)
    assert (verdict.outcome, verdict.rule, mix.asked("kick")) == (LIMITED, "group floor", -20.0)


def test_a_switched_off_source_sounds_like_nothing_and_counts_as_nothing() -> None:
    mix = Mix(kick=-20.0, voice=-20.0, accordion=-3.0)
    mix.wish(RUTH, mix.slot(P.SEND_ON, "accordion", "kit"), 0.0)
    mix.step(1.0)
    assert mix.asked("voice") == pytest.approx(-21.3014, abs=1e-4)


def test_a_group_of_nothing_takes_nothing() -> None:
    mix = Mix(voice=-20.0)
    assert mix.step(3.0).level == OFF
    assert mix.asked("voice") == -20.0


def test_a_fall_is_never_held_back_and_the_others_rise_to_their_limit() -> None:
    mix = Mix(kick=-6.0, voice=-6.5)
    verdict = mix.step(-20.0)
    assert mix.asked("kick") == -26.0
    assert mix.asked("voice") == -6.0  # Ines's own ceiling
    assert (verdict.outcome, verdict.rule) == (LIMITED, "group ceiling")


def test_to_off_and_beyond_the_others_take_all_that_the_group_had() -> None:
    mix = usual()
    before = mix.sum_db()
    mix.wish(INES, mix.me, OFF)
    assert mix.asked("kick") < FLOOR_DB
    assert mix.sum_db() == pytest.approx(before, abs=1e-6)
    mix.wish(INES, mix.me, -21.0)
    assert mix.asked("kick") == pytest.approx(-21.0)
    assert mix.levels() == pytest.approx([-20.0, -18.0, -24.0])


def test_while_the_console_is_silent_the_group_falls_and_the_others_do_not_rise() -> None:
    mix = usual()
    mix.engine.console_lost()
    verdict = mix.step(-3.0)
    assert mix.asked("kick") == -24.0
    assert mix.levels() == [-20.0, -18.0, -24.0]
    assert (verdict.outcome, verdict.rule) == (LIMITED, "console silent")
    assert mix.step(3.0).outcome == REFUSED
    assert mix.levels() == [-20.0, -18.0, -24.0]


def test_a_window_of_the_room_holds_the_others_and_so_the_group() -> None:
    mix = Mix(kick=-10.0, voice=-10.0)
    mix.engine.wishes.windows = {mix.send("voice", "kit"): (-10.5, -5.0)}
    before = mix.sum_db()
    verdict = mix.step(3.0)
    assert (verdict.outcome, verdict.rule) == (LIMITED, "room window")
    assert mix.asked("voice") == pytest.approx(-10.5)
    assert mix.sum_db() == pytest.approx(before)


@pytest.mark.parametrize("db", [3.0, 20.0, -3.0, -20.0])
def test_on_a_stage_that_binds_neither_side_passes_the_margin(db: float) -> None:
    """The two microphones do not hear the wedge alike, so an equal sum is not an equal loop."""
    text = staged_text().replace(
        'channels = ["voice", "accordion"]', 'channels = ["voice"]\nagainst = ["accordion"]'
    )
    house = StagedHouse(text)
    house.started()
    house.open("front", 3.0)
    for channel in ("voice", "accordion"):
        house.wish(RUTH, house.send(channel, "front"), -6.0)
    house.wish(RUTH, house.master("front"), 40.0)
    house.run(12.0)
    assert house.headroom_db() == pytest.approx(6.0, abs=0.01), "it stands at its margin"
    before = house.engine.matrix.asked[house.send("voice", "front")]
    verdict = house.wish(RUTH, house.layout.slot(P.GROUP, 0), db, STEP)
    for _ in range(200):
        house.run(0.02)
        assert house.headroom_db() >= 6.0 - 1e-6
    voice, accordion = (house.send(channel, "front") for channel in ("voice", "accordion"))
    asked = house.engine.matrix.asked
    assert house.told(voice) == pytest.approx(asked[voice])
    assert house.told(accordion) == pytest.approx(asked[accordion]), "one side waits for ever"
    if db < 0.0:
        assert asked[voice] == pytest.approx(before + db)
    if verdict.outcome == TAKEN:
        assert asked[voice] == pytest.approx(before + db)
    else:
        assert verdict.rule in ("feedback", "exposure", "amplifier", "group ceiling", "group floor")


def test_only_whose_mix_it_is_may_move_it() -> None:
    mix = usual()
    assert mix.step(1.0, MAUD).rule == "not yours"
    assert mix.step(1.0, RUTH).outcome == TAKEN


def test_a_group_stands_where_its_members_do_whoever_moved_them() -> None:
    mix = usual()
    groups = mix.engine.groups
    assert groups.stands(mix.me) == -21.0
    mix.engine.desk(mix.send("kick", "kit"), -30.0, mix.now_s)
    assert groups.stands(mix.me) == -30.0
    assert groups.stands(mix.send("voice", "kit")) == -18.0
    news: dict[int, None] = {mix.send("kick", "kit"): None, mix.send("voice", "kit"): None}
    groups.follow(news)
    assert list(news) == [mix.send("kick", "kit"), mix.send("voice", "kit"), mix.me]


@pytest.mark.parametrize("bad", [math.nan, 0.0])
def test_a_side_without_power_answers_nothing(bad: float) -> None:
    balance = Balance(bad, 0.1, -10.0)
    assert (balance.answer(3.0), balance.most()) == (0.0, math.inf)


FAULTS = [
    ('"accordion", "voice"', '"accordion", "kazoo"',
     "group.0.against: found 'kazoo', expected one of"),
    ('"accordion", "voice"', '"kick", "voice"',
     "group.0.against: found 'kick', expected channels that are not in the group"),
    ('"accordion", "voice"', '"voice", "voice"',
     "group.0.against: found 'voice' twice, expected each name once"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "said"), FAULTS, ids=[said for *_, said in FAULTS])
def test_a_rig_that_sets_a_group_against_what_cannot_be_is_told(
    old: str, new: str, said: str
) -> None:
    text = AGAINST.replace(f"against = [{old}", f"against = [{new}")
    with pytest.raises(RigError) as caught:
        parse_rig(text, "house.toml")
    assert said in str(caught.value)
