"""One set of levels before the stage: how far each may still rise, and what stops it. Pure.

The rules look at two such worlds: the levels as the console may have them now, and the levels as
they will be when every ramp has arrived. What the desk has closed counts as open, since the desk
may open it at any moment without asking.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.mix.matrix import Matrix
from bridge.stage.loop import Loop
from bridge.stage.spectral import Array
from bridge.stage.survey import Survey
from bridge.units import OFF

INF = math.inf
FEEDBACK = "feedback"

SAFE_DB = 1e-6
"""Kept below every limit, dB: what rounding could add, and far below what is heard."""


@dataclass(frozen=True, slots=True)
class CeilingMap:
    """How high everything may go by the stage, each alone with all others held.

    Attributes:
        sends: Levels, dB, channels x buses; ``inf`` where the stage does not bind.
        masters: Levels, dB, one a bus.
        send_rules: The rule behind each.
        master_rules: The same for masters.
    """

    sends: Array
    masters: Array
    send_rules: NDArray[np.str_]
    master_rules: NDArray[np.str_]


class World:
    """Levels, the loop that they make, and what they ask of ears and amplifiers.

    Args:
        matrix: The slots.
        survey: The stage.
        coupling: H in force, in the unit of the bound.
        limit: The allowed spectral radius, in the same unit.
        per_ten: 10 for powers, 20 for amplitudes.
        slack_db: How far below every limit its ceilings end, dB. They end there for all levels
            together: kept below each level alone, the last crumbs would eat all of it.

    Attributes:
        level: Each level as this world has it, dB, by slot; others stay unused.
    """

    def __init__(
        self, matrix: Matrix, survey: Survey, coupling: Array, limit: float, per_ten: float,
        *, slack_db: float = SAFE_DB,
    ) -> None:  # fmt: skip
        m = self.matrix = matrix
        self._k, self._slack_db = per_ten, slack_db
        self.loop = Loop(coupling, limit * 10.0 ** (-slack_db / per_ten))
        self.level = [OFF] * m.size
        shape = (m.channels, m.buses)
        self._sends: Array = np.zeros(shape)  # send and, where tapped post, fader
        self._masters: Array = np.zeros(m.buses)
        self._post_db: Array = np.zeros(shape)  # what the tap adds to a send, dB
        self._rules = [burden.rule for burden in survey.burdens]
        self._weights = np.array([b.weights for b in survey.burdens]).reshape(-1, m.buses)
        self._ears = survey.ears
        self._most = np.array([burden.most for burden in survey.burdens])
        self._ends = self._most * 10.0 ** (-slack_db / 10.0)

    # -- levels in ------------------------------------------------------------------------------

    def put(self, slot: int, level_db: float) -> None:
        """Set a send, master or fader."""
        m = self.matrix
        self.level[slot] = level_db
        if m.send <= slot < m.on:
            self._put_send(slot)
        elif m.master <= slot < m.mute:
            bus = slot - m.master
            self._masters[bus] = self._linear(level_db)
            self.loop.set_bus(bus, self._sends[:, bus] * self._masters[bus])
        elif m.fader <= slot < m.channel_mute:
            self._put_fader(slot - m.fader)

    def put_all(self, levels: list[float]) -> None:
        """Set every level at once."""
        m = self.matrix
        self.level = list(levels)
        for slot in range(m.send, m.on):
            cell = slot - m.send
            channel, bus = divmod(cell, m.buses)
            self._sends[channel, bus] = self._send_linear(slot, channel, bus)
        for bus in range(m.buses):
            self._masters[bus] = self._linear(self.level[m.master + bus])
        self.loop.set_all(self._sends * self._masters)

    def retap(self, slot: int) -> None:
        """The tap of a send changed."""
        self._put_send(slot)

    def _put_send(self, slot: int) -> None:
        channel, bus = divmod(slot - self.matrix.send, self.matrix.buses)
        value = self._sends[channel, bus] = self._send_linear(slot, channel, bus)
        self.loop.set_send(channel, bus, float(value * self._masters[bus]))

    def _put_fader(self, channel: int) -> None:
        m = self.matrix
        for bus, slot in enumerate(m.sends_of_channel(channel)):
            self._sends[channel, bus] = self._send_linear(slot, channel, bus)
        self.loop.set_channel(channel, self._sends[channel] * self._masters)

    def _send_linear(self, slot: int, channel: int, bus: int) -> float:
        add = self._post_db[channel, bus] = self._tap_db(slot, channel)
        return self._linear(self.level[slot] + add) if self.level[slot] > OFF else 0.0

    def _tap_db(self, slot: int, channel: int) -> float:
        """What the tap adds: the fader, nothing, or the larger of both while it is not certain."""
        m = self.matrix
        tap = slot - m.send + m.tap
        asked, told = m.asked[tap] >= 0.5, m.told[tap]
        post = asked if told != told else told >= 0.5
        if not (post or asked):
            return 0.0
        fader = self.level[m.fader + channel]
        return fader if post and asked else max(fader, 0.0)

    def _linear(self, level_db: float) -> float:
        return float(10.0 ** (level_db / self._k)) if level_db > OFF else 0.0

    def recouple(self, coupling: Array) -> None:
        """Take another coupling into force: ring marks came or went."""
        mix, limit = self.loop.mix, self.loop.limit
        self.loop = Loop(coupling, limit)
        self.loop.set_all(mix)

    def room_of_group(self, slots: tuple[int, ...]) -> tuple[float, str]:
        """By how many dB sends of one bus may rise together, and the rule that ends it."""
        m = self.matrix
        shape = np.zeros(m.channels)
        bus = (slots[0] - m.send) % m.buses
        for slot in slots:
            channel = (slot - m.send) // m.buses
            shape[channel] = self.loop.mix[channel, bus]
        room, rule = self.loop.room_of_bus(bus, shape), FEEDBACK
        total = float(self._powers(shape).sum())
        if self._rules and total > 0.0:
            more, which = self._burden_of_bus(bus)
            added = self._grown(1.0, more / total)
            if added < room:
                room, rule = added, which
        return (INF, "") if room == INF else (self._k * math.log10(1.0 + room), rule)

    # -- ceilings out ---------------------------------------------------------------------------

    def ceiling(self, slot: int) -> tuple[float, str]:
        """The highest level that the stage allows while all the rest stays as it is.

        Returns:
            dB, never below the level that stands (which may be past the margin), and the rule;
            ``inf`` and an empty rule for what the stage does not bind.
        """
        m = self.matrix
        if m.send <= slot < m.on:
            room, rule, rest_db, now = self._room_of_send(slot)
        elif m.master <= slot < m.mute:
            room, rule, rest_db, now = self._room_of_master(slot - m.master)
        elif m.fader <= slot < m.channel_mute:
            room, rule, rest_db, now = self._room_of_fader(slot - m.fader)
        else:
            return INF, ""
        if room == INF:
            return INF, ""
        level = self.level[slot]
        top = now + room
        ceiling = self._k * math.log10(top) - rest_db if top > 0.0 else OFF
        return max(ceiling, level), rule

    def _room_of_send(self, slot: int) -> tuple[float, str, float, float]:
        channel, bus = divmod(slot - self.matrix.send, self.matrix.buses)
        master = float(self._masters[bus])
        if master == 0.0:
            return INF, "", 0.0, 0.0
        now = float(self.loop.mix[channel, bus])
        room, rule = self.loop.room_of_send(channel, bus), FEEDBACK
        if self._rules:
            more, which = self._burden_of_bus(bus)
            added = self._grown(now, more)
            if added < room:
                room, rule = added, which
        rest_db = self._k * math.log10(master) + float(self._post_db[channel, bus])
        return room, rule, rest_db, now

    def _room_of_master(self, bus: int) -> tuple[float, str, float, float]:
        shape, now = self._sends[:, bus], float(self._masters[bus])
        room, rule = self.loop.room_of_bus(bus, shape), FEEDBACK
        if self._rules:
            total = float(self._powers(shape).sum())
            more, which = self._burden_of_bus(bus)
            added = self._grown(now, more / total if total > 0.0 else INF)
            if added < room:
                room, rule = added, which
        return room, rule, 0.0, now

    def _room_of_fader(self, channel: int) -> tuple[float, str, float, float]:
        """A fader counts with its post-fader sends alone, at least as if they were all."""
        m = self.matrix
        fader = self.level[m.fader + channel]
        bare = np.array([
            self._linear(self.level[slot]) if m.asked[slot - m.send + m.tap] else 0.0
            for slot in m.sends_of_channel(channel)
        ])  # fmt: skip
        shape, now = bare * self._masters, self._linear(fader)
        room, rule = self.loop.room_of_channel(channel, shape), FEEDBACK
        if self._rules:
            heavy = self._weights @ self._powers(shape)
            spare = np.maximum(self._ends - self._weights @ self._totals(), 0.0)
            for number in np.flatnonzero(heavy > 0.0):
                added = self._grown(now, float(spare[number] / heavy[number]))
                if added < room:
                    room, rule = added, self._rules[number]
        return room, rule, 0.0, now

    def _burden_of_bus(self, bus: int) -> tuple[float, str]:
        """The power that a bus may add before an ear or an amplifier is at its limit."""
        weight = self._weights[:, bus]
        spare = self._ends - self._weights @ self._totals()
        with np.errstate(divide="ignore", invalid="ignore"):
            rooms = np.where(weight > 0.0, np.maximum(spare, 0.0) / weight, INF)
        number = int(rooms.argmin())
        return float(rooms[number]), self._rules[number]

    def _totals(self) -> Array:
        """Power of each bus re nominal, with every channel at nominal level."""
        return np.asarray(self._powers(self.loop.mix).sum(axis=0), np.float64)

    def _powers(self, values: Array) -> Array:
        return values if self._k == 10.0 else values * values

    def _grown(self, now: float, power: float) -> float:
        """What may be added to a value, in the unit of the bound, when a power may be added."""
        if self._k == 10.0:
            return power
        return math.sqrt(now * now + power) - now

    # -- past the margin ------------------------------------------------------------------------

    def over_db(self) -> float:
        """How far the stage stands past its margin, dB; 0 while it keeps it."""
        if self.loop.gains() is not None:
            return 0.0
        return max(0.0, -self.left_db())

    def left_db(self) -> float:
        """How far all levels together may still rise before the margin is reached, dB.

        Negative when they stand past it; ``inf`` when nothing comes back.
        """
        radius = self.loop.radius()
        if not radius > 0.0:
            return INF
        return self._k * math.log10(self.loop.limit / radius) + self._slack_db

    def loudest_part(self) -> tuple[int, str, float]:
        """The bus that carries most of what stands past a limit, its rule, and by how many dB.

        The rule is empty while all limits are kept.
        """
        over_db = self.over_db()
        if over_db > 0.0:
            return int(self.loop.blame().argmax()), FEEDBACK, over_db
        if self._rules:
            totals = self._totals()
            ratio = (self._weights @ totals) / self._most
            number = int(ratio.argmax())
            if ratio[number] > 1.0 + 1e-9:
                bus = int((self._weights[number] * totals).argmax())
                return bus, self._rules[number], 10.0 * math.log10(float(ratio[number]))
        return -1, "", 0.0

    # -- everything at once ---------------------------------------------------------------------

    def map(self) -> CeilingMap:
        """The ceilings of all sends and masters in one solve, each with all others held."""
        gains, mix, masters = self.loop.gains(), self.loop.mix, self._masters
        with np.errstate(divide="ignore", invalid="ignore"):
            rest_db = self._k * np.log10(masters) + self._post_db
            if gains is None:
                stays = np.outer(self.loop.heard, self.loop.plays)
                sends, tops = np.where(stays, mix, INF), np.where(self.loop.plays, masters, INF)
            else:
                sends = mix + 1.0 / gains
                tops = masters + 1.0 / (self._sends * gains).sum(axis=0)
            more, rules = self._burdens_of_buses()
            total = self._powers(self._sends).sum(axis=0)
            send_burdens = mix + self._grown_all(mix, more)
            master_burdens = masters + self._grown_all(masters, more / total)

            def level(value: Array, less_db: Array | float) -> Array:
                return np.where(masters > 0.0, self._k * np.log10(value) - less_db, INF)

            return CeilingMap(
                level(np.minimum(sends, send_burdens), rest_db),
                self._k * np.log10(np.fmin(tops, master_burdens)),
                np.where(send_burdens < sends, rules, FEEDBACK),
                np.where(master_burdens < tops, rules, FEEDBACK),
            )

    def _burdens_of_buses(self) -> tuple[Array, list[str]]:
        """What each bus may add in power before a burden binds, and which."""
        if not self._rules:
            return np.full(self.matrix.buses, INF), [FEEDBACK] * self.matrix.buses
        found = [self._burden_of_bus(bus) for bus in range(self.matrix.buses)]
        return np.array([room for room, _ in found]), [rule for _, rule in found]

    def _grown_all(self, now: Array, power: Array) -> Array:
        return power + 0.0 * now if self._k == 10.0 else np.sqrt(now * now + power) - now

    def at_ears(self) -> Array:
        """Estimated level at each ear with every channel at nominal level, dB SPL."""
        with np.errstate(divide="ignore"):
            return np.asarray(10.0 * np.log10(self._ears @ self._totals()), np.float64)
