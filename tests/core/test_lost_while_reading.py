"""A console that is lost while it is read for the first time, and comes back."""

from __future__ import annotations

from support.whole import KINDS, Run

from bridge.house import House, Roads


def test_a_link_lost_in_the_first_reading_does_not_forbid_raises_for_ever() -> None:
    run = Run(1, KINDS["position"])
    house = House(run.rig, run.maps, Roads(lambda _: True, [lambda _: True] * 3, True))
    console = house.console
    console.link_open(0.0)
    console.link_lost()
    console.link_open(1.0)
    for slot in console.unanswered():
        for data in answers(house, run, slot):
            console.receive(data, 1.1)
    assert console.state == "live" and not house.engine.lost


def answers(house: House, run: Run, slot: int) -> tuple[bytes, ...]:
    from bridge.house import console_words

    far = console_words(run.rig, run.maps[run.rig.file.console.map], at_console=True)
    return far.encode(slot, -20.0 if house.engine.matrix.kind[slot] == 0 else 0.0)
