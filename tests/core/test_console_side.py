"""The console's side against a link that does not take what it is given."""

from collections import Counter
from itertools import pairwise
from pathlib import Path

import pytest
from support.kept import Evening
from support.whole import KINDS, MAPPINGS, Run

from bridge import limits
from bridge.console import LIVE, LOST, READING, UNLIMITED
from bridge.house import House, Roads, budget_of, console_words
from bridge.maps.console import ConsoleWords
from bridge.maps.load import parse_map
from bridge.mix.gesture import FLIP, REFUSED, SET
from bridge.rig.layout import Parameter as P


def blind_house(takes: list[bool], sent: list[bytes]) -> House:
    run = Run(1, KINDS["blind"])

    def send(data: bytes) -> bool:
        if takes[0]:
            sent.append(data)
        return takes[0]

    return House(run.rig, run.maps, Roads(send, [send] * 3, reliable=False))


def let_time_pass(house: House, now_s: float, seconds: float) -> float:
    until_s = now_s + seconds
    while now_s < until_s:
        now_s += 0.01
        house.wake(now_s)
    return now_s


def test_a_raise_that_the_link_does_not_take_is_tried_again_and_blocks_nothing() -> None:
    takes, sent = [True], []
    house = blind_house(takes, sent)
    house.console.budget = UNLIMITED  # only a budget would end an endless trying
    house.console.link_open(0.0)
    house.settle(0.0)
    now_s = let_time_pass(house, 0.0, 30.0)
    m = house.engine.matrix
    send = house.rig.layout.slot(P.SEND_LEVEL, 1, 0)
    takes[0] = False
    house.engine.wish(-1, send, SET, -20.0, now_s)
    house.settle(now_s)  # comes back: it does not try for ever
    stood = m.told[send]
    now_s = let_time_pass(house, now_s, 2.0)
    assert m.told[send] == stood
    takes[0] = True
    let_time_pass(house, now_s, 60.0)
    assert m.told[send] == -20.0


def test_a_group_cannot_be_flipped() -> None:
    from support.house import House as SmallHouse

    small = SmallHouse().started()
    verdict = small.wish(-1, small.layout.slot(P.GROUP, 0), 0.0, FLIP)
    assert (verdict.outcome, verdict.rule) == (REFUSED, "not at the console")


NRPN = "console-midi-nrpn.toml"


class Halves:
    """A MIDI console with 14-bit words, played by hand; its first fader is under the bridge."""

    def __init__(self, fine_half: str, without: tuple[str, ...] = ()) -> None:
        run = Run(1, KINDS["nrpn"])
        lines = (MAPPINGS / NRPN).read_text().splitlines()
        text = "\n".join(line for line in lines if not line.startswith(without or "\0"))
        text = text.replace('"awaited"', f'"{fine_half}"')
        run.maps[NRPN] = parse_map(text, NRPN)
        self.sent: list[bytes] = []
        roads = Roads(self.take, [lambda _: True] * 3, reliable=False)
        self.house = House(run.rig, run.maps, roads)
        self.house.console.budget = UNLIMITED
        self.end: ConsoleWords = console_words(run.rig, run.maps[NRPN], at_console=True)
        self.fader = run.rig.layout.slot(P.CHANNEL_FADER, 0)
        self.house.console.link_open(0.0)

    def take(self, data: bytes) -> bool:
        self.sent.append(data)
        return True

    def says(self, slot: int, level_db: float, now_s: float) -> None:
        self.house.from_console([(data, "") for data in self.end.encode(slot, level_db)], now_s)

    def started(self) -> "Halves":
        for slot in sorted(self.end.can_read):
            self.says(slot, -60.0, 0.1)
        assert self.house.console.state == LIVE
        let_time_pass(self.house, 0.1, 0.2)
        self.house.engine.phase = 3
        return self

    def wish(self, level_db: float, now_s: float) -> None:
        self.house.engine.wish(-1, self.fader, SET, level_db, now_s)
        self.house.settle(now_s)

    @property
    def asked(self) -> float:
        return self.house.engine.matrix.asked[self.fader]


def test_what_a_console_makes_of_half_a_word_is_no_desk_move() -> None:
    desk = Halves("kept").started()
    moves = desk.house.console.desk_moves
    desk.wish(-70.0, 1.0)
    desk.says(desk.fader, -61.0, 1.01)  # lower than before
    desk.says(desk.fader, -75.0, 1.01)  # lower than both
    assert (desk.house.console.desk_moves, desk.asked) == (moves, -70.0)
    desk.says(desk.fader, -50.0, 1.02)
    assert desk.house.console.desk_moves == moves + 1
    assert desk.asked == pytest.approx(-50.0, abs=0.1)


def test_the_late_echo_of_an_older_word_is_no_answer_to_one_that_says_the_same() -> None:
    desk = Halves("awaited").started()
    console = desk.house.console
    for now_s, level_db in ((1.0, -70.0), (1.1, -70.4), (1.2, -70.0)):
        assert desk.fader not in console._unsure
        desk.wish(level_db, now_s)
        assert desk.house.engine.matrix.told[desk.fader] == level_db
        desk.says(desk.fader, level_db, now_s + 0.02)
    assert desk.fader in console._unsure  # what it said may be as old as the first word
    desk.says(desk.fader, -70.0, 1.7)
    assert desk.fader not in console._unsure


def test_a_console_that_waits_for_the_whole_word_is_followed_at_once() -> None:
    desk = Halves("awaited").started()
    moves = desk.house.console.desk_moves
    desk.wish(-70.0, 1.0)
    desk.says(desk.fader, -75.0, 1.01)
    assert desk.house.console.desk_moves == moves + 1


def test_a_missing_answer_is_asked_for_again_where_one_question_brings_everything() -> None:
    desk = Halves("awaited")
    *most, last = sorted(desk.end.can_read)
    for slot in most:
        desk.says(slot, -60.0, 0.1)
    assert desk.house.console.state == READING
    desk.sent.clear()
    now_s = let_time_pass(desk.house, 0.1, 3.0)
    assert set(desk.house.console.words.ask_all) <= set(desk.sent)
    desk.says(last, -60.0, now_s)
    assert desk.house.console.state == LIVE


def test_a_coarse_half_from_the_console_acts_alone_after_30_ms() -> None:
    desk = Halves("awaited").started()
    *selected_and_coarse, _ = desk.end.encode(desk.fader, -20.0)
    desk.house.from_console([(data, "") for data in selected_and_coarse], 1.0)
    assert desk.asked < -50.0
    assert desk.house.next_wake_s(1.0) <= 1.03
    desk.house.wake(1.03)
    assert desk.asked == pytest.approx(-20.0, abs=1.0)


def test_what_has_just_been_plugged_in_is_shown_everything_twice() -> None:
    run = Run(1, KINDS["position"])
    shown: list[bytes] = []
    roads = Roads(lambda _: True, [lambda data: bool(shown.append(data)) or True] * 3, False)
    house = House(run.rig, run.maps, roads)
    controller = next(one for one in house.controllers.all if one.shows)
    controller.show_all(0.0)
    now_s = let_time_pass(house, 0.0, 0.9)
    first = list(shown)
    assert first
    now_s = let_time_pass(house, now_s, 1.0)
    assert shown == first * 2
    let_time_pass(house, now_s, 5.0)
    assert shown == first * 2


def test_a_console_that_can_only_be_asked_for_everything_is_asked_seldom_and_lost_at_last() -> None:
    desk = Halves("awaited", without=("probe", "alive")).started()
    console, now_s = desk.house.console, 1.0
    (question,) = console.words.ask_all
    while now_s < 1.0 + 3 * limits.RARE_PROBE_S:  # it answers
        asked = desk.sent.count(question)
        now_s = let_time_pass(desk.house, now_s, 0.1)
        if desk.sent.count(question) > asked:
            desk.says(desk.fader, -60.0, now_s)
    assert console.state == LIVE
    assert 3 <= desk.sent.count(question) <= 6
    let_time_pass(desk.house, now_s, limits.RARE_PROBE_S + 2 * console.terms.answer_s)
    assert console.state == LOST


def test_a_console_that_cannot_be_asked_is_not_lost_because_it_is_silent() -> None:
    desk = Halves("awaited", without=("probe", "alive", "ask"))
    assert not desk.house.console.words.ask_all
    assert desk.house.console.state == LIVE
    let_time_pass(desk.house, 0.0, 30.0)
    assert desk.house.console.state == LIVE


def test_a_moving_hand_waits_for_one_repeat_in_five_ms_and_all_follow_in_the_end() -> None:
    house = blind_house([True], [])
    console, repeated = house.console, []
    console.budget = UNLIMITED
    repeat = console._repeat

    def counted(slot: int, now_s: float) -> None:
        repeated.append((now_s, slot))
        repeat(slot, now_s)

    console._repeat = counted  # type: ignore[method-assign]
    console.link_open(0.0)
    now_s = let_time_pass(house, 0.0, 30.0)
    assert house.rests()
    hand, *others = house.rig.layout.slots(P.SEND_LEVEL)
    for slot in others:
        house.engine.wish(-1, slot, SET, -80.0, now_s)
    house.settle(now_s)
    repeated.clear()
    seconds = 0.4
    for step in range(int(seconds * 1000)):
        now_s += 0.001
        house.engine.wish(-1, hand, SET, -20.0 - step / 16, now_s)
        house.settle(now_s)
        house.wake(now_s)
    gaps = [later - at for (at, _), (later, _) in pairwise(repeated)]
    assert len(gaps) >= 4
    assert min(gaps) > limits.REPEAT_PAUSE_S - 1e-9
    let_time_pass(house, now_s, 2.0)
    assert house.rests()
    told = Counter(slot for _, slot in repeated)
    assert len(told) >= 3
    assert min(told.values()) >= limits.BLIND_REPEATS


def test_no_second_carries_more_than_the_link_is_declared_for() -> None:
    run = Run(3, KINDS["sysex"])
    budget = budget_of(run.rig, console_words(run.rig, run.maps[run.rig.file.console.map]))
    left: list[float] = []
    now_s, rate, nbytes = 10.0, 3125.0, 10
    while now_s < 15.0:
        if budget.may(now_s, 1, nbytes):
            budget.spend(now_s, 1, nbytes)
            left.append(now_s)
        else:
            now_s = budget.next_wake_s()
    most = max(sum(begin <= at < begin + 1.0 for at in left) for begin in left)
    assert 0.9 * rate <= most * nbytes <= rate


def test_a_fader_that_nobody_knows_is_left_alone_when_a_blind_console_comes_back() -> None:
    house = blind_house([True], [])
    house.console.link_open(0.0)
    now_s = let_time_pass(house, 0.0, 30.0)
    faders = house.rig.layout.slots(P.CHANNEL_FADER)
    m = house.engine.matrix
    assert [m.told[slot] == m.told[slot] for slot in faders] == [False] * len(faders)
    house.console.link_lost()
    house.console.link_open(now_s + 5.0)
    let_time_pass(house, now_s + 5.0, 10.0)
    assert [m.told[slot] == m.told[slot] for slot in faders] == [False] * len(faders)


def test_a_dimmed_master_does_not_sink_further_each_time_the_console_comes_back() -> None:
    from support.house import House as SmallHouse

    small = SmallHouse().started()
    small.open("kit")
    master, dim = small.master("kit"), small.slot(P.BUS_DIM, "", "kit")
    small.wish(-1, master, -10.0)
    small.run(10.0)
    small.wish(-1, dim, 1.0)
    m = small.engine.matrix
    assert m.told[master] == -30.0
    for _ in range(3):
        small.engine.console_lost()
        heard = {slot: value for slot, value in enumerate(m.told) if value == value}
        small.engine.console_back(heard, small.now_s)
        small.run(10.0)
        assert m.told[master] == -30.0
    small.wish(-1, dim, 0.0)
    small.run(10.0)
    assert m.told[master] == -10.0


def test_of_a_raise_that_never_arrived_nothing_is_left_when_the_console_restarts(
    tmp_path: Path,
) -> None:
    evening = Evening(tmp_path).playing()
    send, desk = evening.slot(P.SEND_LEVEL, 0, 0), evening.desk
    evening.wish(send, -5.0)
    evening.pass_time(0.05)
    evening.silent = True
    had = desk.values[send]
    evening.pass_time(0.02)
    assert had < evening.m.told[send] < -5.0, "no word was under way"
    evening.house.console.link_lost()
    desk.stand_in.values[send] = 2.0
    evening.silent = False
    evening.house.console.link_open(evening.now_s)
    evening.pass_time(3.0)
    assert evening.house.console.state == LIVE
    assert desk.values[send] <= had
    evening.keeper.close()


def test_a_level_whose_word_was_not_answered_climbs_on_though_every_tick_marks_it(
    tmp_path: Path,
) -> None:
    evening = Evening(tmp_path).playing()
    send, m = evening.slot(P.SEND_LEVEL, 1, 0), evening.m
    evening.wish(send, -60.0)
    evening.pass_time(1.0)
    evening.wish(send, -20.0)
    evening.pass_time(0.1)
    while m.settled[send]:
        evening.now_s += 0.021
        evening.house.wake(evening.now_s)
    evening._replies.clear()  # the word arrived, its answer is lost
    told = m.told[send]
    assert -60.0 < told < -20.0
    for _ in range(50):  # repeats fall due in the very moment of a tick, again and again
        evening.now_s += 0.021
        evening.house.wake(evening.now_s)
    replies, evening._replies = evening._replies, []
    evening.house.from_console([(data, "") for data in replies], evening.now_s)
    assert m.settled[send] or m.told[send] > told
    evening.pass_time(10.0)
    assert m.told[send] == pytest.approx(-20.0)
