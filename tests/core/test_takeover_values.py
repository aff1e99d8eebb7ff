"""What a control without a motor asks for once it has caught its level: dB, by its own law."""

from __future__ import annotations

import pytest
from support.house import House

from bridge.controllers import Controller, Controllers
from bridge.maps.controller import ControllerWords
from bridge.maps.load import parse_map

PEDAL = """
[map]
name = "One pedal"
kind = "controller"
[[midi]]
parameter = "bus master"
bus = "kit"
message = "control change"
number = 11
law = {{ from_db = -60, to_db = 0 }}
takeover = "{takeover}"
"""


def pedal(takeover: str) -> tuple[House, Controllers, Controller]:
    """The engineer's pedal on a master that stands at -30 dB, half way."""
    house = House().started()
    house.open("kit")
    house.wish(-1, house.master("kit"), -30.0)
    house.run(10.0)
    words = ControllerWords(parse_map(PEDAL.format(takeover=takeover), "pedal.toml"), house.layout)
    hands = Controllers(house.engine, lambda name, verdict: None)
    hands.add(Controller("pedal", -1, words, lambda data: True))
    return house, hands, hands.all[0]


@pytest.mark.parametrize("takeover", ["pickup", "scaled"])
@pytest.mark.parametrize("travel", [0, 32, 96])
def test_a_pedal_that_has_caught_its_level_asks_for_db_and_not_for_its_travel(
    takeover: str, travel: int
) -> None:
    house, hands, board = pedal(takeover)
    for place in (64, travel):  # it meets the level half way, then moves on
        hands.receive(board, bytes((0xB0, 11, place)), house.now_s)
    asked = house.engine.matrix.asked[house.master("kit")]
    assert asked == pytest.approx(min(-3.0, -60.0 + 60.0 * travel / 127.0), abs=1e-9)


def test_a_pedal_that_has_not_caught_its_level_moves_nothing() -> None:
    house, hands, board = pedal("pickup")
    for place in (0, 20, 40):
        hands.receive(board, bytes((0xB0, 11, place)), house.now_s)
    assert house.engine.matrix.asked[house.master("kit")] == -30.0
