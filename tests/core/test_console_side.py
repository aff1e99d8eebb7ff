"""The console's side against a link that does not take what it is given."""

from support.whole import KINDS, Run

from bridge.console import UNLIMITED
from bridge.house import House, Roads
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
