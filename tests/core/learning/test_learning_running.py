"""Learning at a bridge that runs: the controller teaches and does not mix, and then it works."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from support.onloop import on_loop
from support.paged import MAPPINGS, Paged, paged_rig

from bridge.learning.live import Live
from bridge.rig.layout import Parameter
from bridge.rig.rig import Rig
from bridge.wire import osc

BUTTON = [osc.encode("/new/dim", "i", (state,)) for state in (1, 0)]


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    """The demo's rig, with maps that may be written."""
    for path in MAPPINGS.glob("*.toml"):
        shutil.copy(path, tmp_path / path.name)
    (tmp_path / "rigs").mkdir()
    return paged_rig(tmp_path / "rigs")


def lesson_at(bridge: Paged) -> Live:
    live = Live(bridge.rig, bridge.daemon)
    bridge.daemon.taps.append(lambda n, batch, now_s: live.heard(n, [d for d, _ in batch], now_s))
    return live


def number_of(rig: Rig, hands: str) -> int:
    return [one.hands for one in rig.file.controller].index(hands)


def says(bridge: Paged, number: int, datas: list[bytes]) -> None:
    bridge.daemon._heard(number, [(data, ("192.0.2.9", 1)) for data in datas])


async def dim_is_learned(bridge: Paged, live: Live, number: int) -> None:
    """A button becomes the dim of the one mix of these hands."""
    for _ in range(3):
        says(bridge, number, BUTTON)
    steps = [("still", ""), ("is", ""), ("pick", "bus dim"), ("pick", "toggle"), ("write", "")]
    for word, name in steps:
        answers = live.picture()["answers"]
        assert isinstance(answers, list)
        at = [one[0].startswith(name) for one in answers].index(True) if name else 0
        assert live.act(word, at, now_s=1e6) == ""
        await live.rest()
    assert live.picture()["step"] == "done"


@on_loop
async def test_what_is_learned_does_not_mix_until_the_lesson_ends_and_then_it_does(
    rig: Rig,
) -> None:
    async with Paged(rig) as bridge:
        await bridge.running()
        live, number, now_s = lesson_at(bridge), number_of(rig, "ines"), 1e6
        dim = bridge.slot(Parameter.BUS_DIM, bus="kit")
        level = bridge.send("voice", "kit")
        assert live.begin(number, now_s) == ""
        await live.rest()
        await dim_is_learned(bridge, live, number)
        before = bridge.asked(level)
        says(bridge, number, [*BUTTON, osc.encode("/my/5/level", "f", (0.1,))])
        assert (bridge.asked(dim), bridge.asked(level)) == (0.0, before), "it still teaches"
        live.end()
        says(bridge, number, BUTTON)
        assert bridge.asked(dim) == 1.0


@on_loop
async def test_silence_is_heard_from_a_controller_that_is_learned_at(rig: Rig) -> None:
    async with Paged(rig) as bridge:
        await bridge.running()
        live, number = lesson_at(bridge), number_of(rig, "engineer")
        assert live.begin(number, 1e6) == ""
        await live.rest()
        says(bridge, number, [osc.encode("/quiet", "i", (1,))])
        assert bridge.asked(bridge.engine.matrix.silence) == 1.0


@on_loop
async def test_the_other_controllers_of_a_shared_map_know_the_new_entry_too(rig: Rig) -> None:
    async with Paged(rig) as bridge:
        await bridge.running()
        shared = [n for n, one in enumerate(rig.file.controller)
                  if one.map == rig.file.controller[number_of(rig, "ines")].map]  # fmt: skip
        assert len(shared) > 1
        live, before = lesson_at(bridge), [one.words for one in bridge.daemon.house.controllers.all]
        assert live.begin(shared[0], 1e6) == ""
        await live.rest()
        await dim_is_learned(bridge, live, shared[0])
        after = [one.words for one in bridge.daemon.house.controllers.all]
        assert [a is not b for a, b in zip(before, after, strict=True)] == [
            n in shared for n in range(len(before))
        ]
