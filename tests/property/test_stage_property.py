"""Whatever hands, switches and ticks do: no word that raises takes the stage past its margin.

The judge here keeps the loudest that the console may have, by its own bookkeeping, and computes
eigenvalues with NumPy; it shares no code with the rules.
"""

from __future__ import annotations

import math
from collections import deque

import numpy as np
import pytest
from support.stages import StagedHouse, staged_text

from bridge.mix.gesture import SET, STEP
from bridge.mix.matrix import LEVEL, RUNNING
from bridge.rig.layout import Parameter
from bridge.stage.rings import RingMark

LATE_S = 0.25
SLACK_DB = 1e-9


class Judge:
    """What the console may have at worst: every word of the last moments, until confirmed."""

    def __init__(self, house: StagedHouse, coupling: np.ndarray) -> None:
        self.house, self.coupling = house, coupling
        self.may: dict[int, list[tuple[float, float]]] = {}  # slot -> words (left until, level)
        self.loudest: dict[int, float] = {}

    def word(self, slot: int, value: float, now_s: float) -> None:
        words = self.may.setdefault(slot, [])
        words.append((math.inf, value))

    def confirmed(self, slot: int, now_s: float) -> None:
        """Older words may still arrive for a while; then only the last one counts."""
        words = self.may.get(slot, [])
        self.may[slot] = [(min(until, now_s + LATE_S), v) for until, v in words[:-1]] + words[-1:]

    def level(self, slot: int, now_s: float) -> float:
        words = self.may.get(slot, [])
        kept = [w for w in words[:-1] if w[0] > now_s + 1e-9] + words[-1:]
        self.may[slot] = kept
        return max((v for _, v in kept), default=-math.inf)

    def radius(self, now_s: float) -> float:
        m = self.house.engine.matrix
        e = np.zeros((m.channels, m.buses))
        for c in range(m.channels):
            for b in range(m.buses):
                send = self.level(m.send + c * m.buses + b, now_s)
                total = send + self.level(m.master + b, now_s)
                e[c, b] = 10.0 ** (total / 10.0) if total > -math.inf else 0.0
        return float(max(abs(np.linalg.eigvals(self.coupling @ e.T))))


def marks(chance: np.random.Generator) -> tuple[RingMark, ...]:
    levels = chance.uniform(-15.0, 25.0, (2, 2))
    return tuple(RingMark(c, b, float(levels[c, b])) for c in range(2) for b in range(2))


def prepared(seed: int) -> tuple[StagedHouse, Judge, np.random.Generator]:
    chance = np.random.default_rng(seed)
    house = StagedHouse(staged_text(), late_s=LATE_S, confirms=False)
    house.stage.use_marks(marks(chance))
    coupling = house.stage.survey.powers.copy()
    for mark in house.stage.marks:
        coupling[mark.channel, mark.bus] = 10.0 ** (-mark.effective_db / 10.0)
    return house, Judge(house, coupling), chance


class Evening:
    """One run: hands, switches and ticks by chance; the console confirms now and then."""

    def __init__(self, seed: int) -> None:
        self.house, self.judge, self.chance = prepared(seed)
        self.house.engine.begin({}, 0.0)
        self.unconfirmed: deque[int] = deque()
        self.raises = 0

    def run(self, events: int) -> None:
        for number in range(events):
            self.event(number)
            self.listen()

    def event(self, number: int) -> None:
        house, chance = self.house, self.chance
        if number < 30 or chance.random() < 0.5:
            house.now_s += 0.02
            house.engine.advance(house.now_s)
        if chance.random() < 0.7 or number < 30:
            self.confirm_some()
        if number >= 20 and chance.random() < 0.5:
            self.wish()
        if number >= 20 and chance.random() < 0.1:
            self.desk()
        if number >= 20 and chance.random() < 0.1:
            self.slip()

    def desk(self) -> None:
        """The desk moves a send or master, as far as the margin allows it."""
        m, now = self.house.engine.matrix, self.house.now_s
        slot = int(self.chance.choice([*range(m.send, m.on), *range(m.master, m.mute)]))
        before, value = self.judge.may.get(slot), float(self.chance.uniform(-30.0, 8.0))
        self.judge.may[slot] = [(math.inf, value)]
        if self.judge.radius(now) > 10.0 ** (-0.6) * 0.999 or self.house.engine.phase < RUNNING:
            self.judge.may[slot] = before or []
            return
        self.unconfirmed = deque(each for each in self.unconfirmed if each != slot)
        self.house.engine.desk(slot, value, now)

    def slip(self) -> None:
        """The console says that it stands at an older word: one was late or came twice."""
        m, now = self.house.engine.matrix, self.house.now_s
        levels = [slot for slot in self.unconfirmed if m.kind[slot] == LEVEL]
        for slot in levels[:1]:
            self.judge.level(slot, now)
            words = self.judge.may[slot]
            value = words[0][1]
            self.house.engine.slipped(slot, value, now)
            self.judge.may[slot] = [*words[:-1], (math.inf, value), (math.inf, m.told[slot])]

    def confirm_some(self) -> None:
        for _ in range(len(self.unconfirmed)):
            slot = self.unconfirmed.popleft()
            self.house.engine.settle(slot, self.house.now_s)
            self.judge.confirmed(slot, self.house.now_s)

    def wish(self) -> None:
        house, chance, m = self.house, self.chance, self.house.engine.matrix
        kind = chance.integers(6)
        now = house.now_s
        if kind <= 2:
            slot = m.send + int(chance.integers(m.on - m.send))
            house.engine.wish(-1, slot, SET, float(chance.uniform(-30, 10)), now)
        elif kind == 3:
            slot = m.master + int(chance.integers(m.buses))
            house.engine.wish(-1, slot, SET, float(chance.uniform(-15, 10)), now)
        elif kind == 4:
            slot = house.layout.slot(Parameter.GROUP, 0)
            house.engine.wish(-1, slot, STEP, float(chance.uniform(-10, 10)), now)
        else:
            first, last = chance.choice([[m.mute, m.open], [m.open, m.dim], [m.dim, m.silence],
                                         [m.silence, m.silence + 1], [m.on, m.tap]])  # fmt: skip
            slot = int(chance.integers(first, last))
            house.engine.wish(-1, slot, SET, float(chance.integers(2)), now)

    def listen(self) -> None:
        """Take every word; one that raises must leave the stage within its margin."""
        engine, now = self.house.engine, self.house.now_s
        m = engine.matrix
        while engine.marked:
            marked, engine.marked = engine.marked, {}
            for slot, _ in sorted(marked.items(), key=lambda item: item[1]):
                before = m.told[slot]
                value = engine.outgoing.emit(slot, now)
                if value != value:
                    continue
                self.unconfirmed.append(slot)
                if m.kind[slot] != LEVEL:
                    continue
                self.judge.word(slot, value, now)
                if value > before:
                    self.raises += 1
                    limit = 10.0 ** (-(6.0 - SLACK_DB) / 10.0)
                    assert self.judge.radius(now) <= limit, f"{self.house.rig.name(slot)} at {now}"


@pytest.mark.parametrize("seed", range(30))
def test_no_word_that_raises_takes_the_stage_past_its_margin(seed: int) -> None:
    evening = Evening(seed)
    evening.run(600)
    assert evening.raises > 50, "something happened"


def test_what_was_asked_is_reached_when_hands_and_console_have_come_to_rest() -> None:
    for seed in range(10):
        evening = Evening(seed)
        evening.run(300)
        m = evening.house.engine.matrix
        for _ in range(1500):
            evening.house.now_s += 0.02
            evening.house.engine.advance(evening.house.now_s)
            evening.confirm_some()
            evening.listen()
        assert not evening.house.engine.moving
        levels = [s for s in range(m.size) if m.kind[s] == LEVEL and m.can_set[s] and m.free[s]]
        for slot in levels:
            if not m.left[slot] and not m.is_fader(slot):
                assert m.told[slot] == m.goal[slot], evening.house.rig.name(slot)
