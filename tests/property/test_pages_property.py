"""Whatever a performer's page says, in whatever order: nothing moves that the rig does not give.

The messages take the whole road of a page: text, words, hands or presets, rules. Only the socket
is left out.
"""

from __future__ import annotations

import asyncio
import functools
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, cast

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.paged import DEMO, MAPPINGS, paged_rig

from bridge.house import House, Roads
from bridge.maps.load import parse_map
from bridge.pages.access import Codes, Passes
from bridge.pages.client import Client
from bridge.pages.messages import WORDS
from bridge.pages.show import Show
from bridge.presets.running import Running
from bridge.presets.serving import Serving
from bridge.rig.rig import ENGINEER, Rig

ALL_OF_IT = """
label = "All of it"
by = "Ruth"
when = 2025-03-01
[scope]
buses = ["kit", "front", "left"]
"""
ALL_OF_IT += "".join(
    f"[bus.{bus}]\nmaster_db = -9\n[bus.{bus}.send]\n"
    + "".join(f'{c} = {{ level_db = -8, on = true, tap = "post" }}\n' for c in ("kick", "voice"))
    for bus in ("kit", "front", "left")
)

GIVEN = {
    "as the demo gives it": DEMO,
    "levels alone": DEMO.replace(
        'name = "Ines"\n', 'name = "Ines"\nmay_touch = ["send level"]\n', 1
    ),
    "nothing": DEMO.replace('name = "Ines"\n', 'name = "Ines"\nmay_touch = []\n', 1),
    "a room": DEMO + '\n[room]\npresets = ["all"]\nhands = ["maud"]\n',
}


@functools.cache
def parsed(name: str) -> Any:
    """A map of the demo's."""
    return parse_map((MAPPINGS / "rigs" / name).read_text("utf-8"), name)


async def at_once(act: Callable[..., Any], *args: Any, **more: Any) -> Any:
    """File work without a thread."""
    return act(*args, **more)


class Bridge:
    """As much of a running bridge as pages need, with a console that takes everything."""

    def __init__(self, rig: Rig) -> None:
        names = {rig.file.console.map, *(c.map for c in rig.file.controller)}
        maps = {name: parsed(name) for name in names}
        take = [lambda data: True] * len(rig.file.controller)
        self.house = House(rig, maps, Roads(lambda data: True, take, reliable=True))
        self.house.engine.begin({}, 0.0)
        running = Running(self.house, clock=lambda: 1.0, wished=lambda: None, aside=at_once)
        self.presets = Serving(running, lambda: 0)
        self.outside = self
        self.links: list[Any] = []
        self.taps: list[Any] = []
        self.guard: Any = None

    def wished(self) -> None:
        """Nothing hangs on it here."""

    followed = wished

    def learn(self, number: int, on: bool) -> None:
        """No performer's page comes here."""
        raise AssertionError("somebody learns a control")

    exchange = learn


class Visit:
    """A performer's page beside an engineer's, without sockets."""

    def __init__(self, rig: Rig, who: str) -> None:
        self.bridge = Bridge(rig)
        self.passes, self.codes = Passes((), 1.0), Codes(10.0)
        self.who = rig.layout.performers.index(who)
        self.given = {name: self.passes.give(name, 0.0)[1] for name in (who, "engineer")}
        self.show = Show(cast(Any, self.bridge), rig, self.passes, self.codes, keep=lambda: None)
        self.page = self._open(self.who, who)
        self._open(ENGINEER, "engineer")

    def _open(self, who: int, name: str) -> Client:
        scene, given = self.show.scene_of(who), self.given[name]
        hands = self.show._hands_of(given, scene)
        page = Client(
            cast(Any, None), scene, hands,
            serial=given.serial, transport=cast(Any, None), heard=self.show._heard,
        )  # fmt: skip
        self.show.clients.append(page)
        return page

    def kept_from_it(self) -> Any:
        """All that this performer has no say in."""
        engine = self.bridge.house.engine
        m, may = engine.matrix, engine.guard.may[self.who]
        foreign = [s for s in range(m.size) if not may[s] or s == m.silence]
        return (
            [(s, repr(m.asked[s]), repr(m.goal[s])) for s in foreign],
            bytes(engine.guard.frozen), bytes(engine.guard.held),
            list(engine.ceilings.hard), [list(own) for own in engine.ceilings.own],
            [r for r in engine.people.requests if r.performer != self.who],
            sorted(self.passes.all), len(self.codes._waiting),
        )  # fmt: skip

    async def say(self, texts: list[str]) -> None:
        """Say everything, each as soon as it comes; then wait for what was begun."""
        for text in texts:
            self.page._take(text)
            await asyncio.sleep(0)
        while self.show._shelf._doing:
            await asyncio.sleep(0)


NUMBER = st.integers(0, 140) | st.integers(0, 9)
NAME = st.sampled_from(["all", "mine", "next preset", "house preset", "cue 1", "../all", "begin"])
VALUE = NUMBER | st.floats(-120, 40) | st.none() | NAME | st.booleans()
MESSAGE = st.tuples(st.sampled_from([*WORDS]), VALUE, VALUE, VALUE).map(
    lambda parts: json.dumps(list(parts)[: 1 + len(WORDS[parts[0]])])
)
MEANT = st.one_of(
    st.tuples(st.sampled_from(["set", "step"]), NUMBER, st.floats(-90, 20)),
    st.tuples(st.sampled_from(["flip", "start", "code", "revoke", "grip"]), NUMBER),
    st.tuples(st.sampled_from(["recall", "compare", "sound"]), NAME),
    st.tuples(st.just("store"), st.integers(0, 1), NAME),
    st.tuples(st.just("limit"), NUMBER, st.floats(-90, 20) | st.none(), NUMBER | st.none()),
    st.tuples(st.sampled_from(["copy", "answer"]), st.integers(0, 3), st.integers(0, 3)),
    st.tuples(st.just("learn"), NAME, st.integers(0, 3) | st.none(), st.none()),
    st.tuples(st.sampled_from(["undo", "here", "presets"])),
).map(lambda parts: json.dumps(list(parts)))


@pytest.fixture(scope="module", params=[*GIVEN])
def rig(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Rig:
    folder = tmp_path_factory.mktemp("rig")
    shelf = folder / "ferry-lane.presets"
    shelf.mkdir()
    (shelf / "all.toml").write_text(ALL_OF_IT, encoding="utf-8")
    return paged_rig(folder, text=GIVEN[request.param])


@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(texts=st.lists(MEANT | MEANT | MESSAGE, max_size=40))
def test_a_performers_page_never_changes_what_the_rig_does_not_give(
    rig: Rig, texts: list[str]
) -> None:
    visit = Visit(rig, "ines")
    before = visit.kept_from_it()
    asyncio.run(visit.say(texts))
    assert visit.kept_from_it() == before
    shelf = Path(rig.where).parent / "ferry-lane.presets"
    assert (shelf / "all.toml").read_text(encoding="utf-8") == ALL_OF_IT
    for other in shelf.glob("*.toml"):
        said = other.read_text(encoding="utf-8")
        assert other.name == "all.toml" or ("front" not in said and "left" not in said)


def test_these_messages_do_move_what_is_given(rig: Rig) -> None:
    """The property would hold on a page that does nothing at all."""
    visit = Visit(rig, "ines")
    m = visit.bridge.house.engine.matrix
    slot = next(s for s in m.sends_of_bus(rig.layout.buses.index("kit")) if m.can_set[s])
    may = visit.bridge.house.engine.guard.may[visit.who][slot]
    asyncio.run(visit.say([f'["set", {slot}, -44]']))
    assert (m.asked[slot] == -44.0) is bool(may)
