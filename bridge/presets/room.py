"""A room that looks after itself: which preset, when, and for whom. Pure.

    waiting --console read--> house preset, opened at the start level
       playing --hand: next, previous, house, one by name--> that preset
       playing --idle time, declared hour--> house preset
       playing --console away for long, and back--> house preset, opened again

Whatever the room does is declared in the rig; everything else is refused with a reason. Time is an
argument: seconds of a clock that never jumps, and minutes of the day on the wall, which do.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from bridge.mix.matrix import Matrix
from bridge.presets.preset import Preset
from bridge.presets.values import Target
from bridge.rig.rig import ENGINEER, Rig
from bridge.units import FLOOR_DB, OFF

DAY_MIN: Final = 1440
"""Minutes of a day."""

NEXT: Final = "next preset"
PREVIOUS: Final = "previous preset"
HOUSE: Final = "house preset"
"""Gestures that walk through the presets; no preset can have such a name."""

GESTURES: Final = frozenset({NEXT, PREVIOUS, HOUSE})

AWAY_S: Final = 30.0
"""A console that was silent for so long was switched off: the room opens again when it is back. A
shorter silence is a loose cable, and the mix stays as the people in the room left it."""

AGAIN_S: Final = 30.0
"""Time between two tries of what the room owes, while the console does not answer."""

SAME_HOUR_S: Final = 7200.0
"""A declared hour does not strike twice within this time, though clocks are put back by one."""

Window = tuple[float, float]
"""Lowest and highest level, dB."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What the rig declares of its room.

    Attributes:
        presets: All that may be recalled, in order.
        house: The one to start with and to return to.
        window_db: How far performers may move away from a preset, dB.
        idle_s: Time without a hand after which it returns, s; ``inf``: never.
        minutes: Minutes of the day at which it returns, 0..1439.
        hands: Performers who may choose; None: everybody.
        unsilence: A hand's "house" also ends "silence all".
    """

    presets: tuple[str, ...]
    house: str
    window_db: float = 6.0
    idle_s: float = math.inf
    minutes: tuple[int, ...] = ()
    hands: frozenset[int] | None = None
    unsilence: bool = False


def plan_of(rig: Rig) -> Plan | None:
    """The room of a rig; None when it is none."""
    room = rig.file.room
    if room is None:
        return None
    performers = rig.layout.performers
    hands = None if room.hands is None else frozenset(map(performers.index, room.hands))
    idle_s = math.inf if room.idle_min is None else 60.0 * room.idle_min
    return Plan(
        tuple(room.presets), room.home, room.window_db, idle_s, room.home_minutes, hands,
        room.unsilence,
    )  # fmt: skip


class Order(NamedTuple):
    """A preset to recall.

    Attributes:
        preset: Its name.
        why: What asked for it, in words.
        opens: Its buses are opened, and their mutes and dims left.
        unsilences: "Silence all" ends.
        asked: A hand asked; else it is the room's own, and is tried again after a silence.
    """

    preset: str
    why: str
    opens: bool = False
    unsilences: bool = False
    asked: bool = False


def walked(order: Sequence[str], current: str, gesture: str) -> str:
    """The preset that a gesture leads to, round and round; empty when there is none.

    Args:
        order: Names in order.
        current: The one recalled last; any other text when there was none.
        gesture: ``NEXT``, ``PREVIOUS``, ``HOUSE`` (the first) or a name.
    """
    if gesture not in GESTURES:
        return gesture if gesture in order else ""
    if not order:
        return ""
    if gesture == HOUSE or (current not in order and gesture == NEXT):
        return order[0]
    at = order.index(current) if current in order else 0
    return order[(at + (1 if gesture == NEXT else -1)) % len(order)]


class Room:
    """One room over time.

    Attributes:
        plan: What the rig declares.
        current: Name of the preset recalled last; empty before the start.
        touched_s: When a hand was on a control last, s.
    """

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.current = ""
        self.touched_s = -math.inf
        self._as_house = True  # nobody has changed anything since the last return
        self._started = False
        self._minute = -1
        self._struck_s = -math.inf
        self._struck = False
        self._gone_s = math.inf
        self._owed: Order | None = None
        self._again_s = math.inf

    # -- hands ----------------------------------------------------------------------------------

    def touched(self, now_s: float) -> None:
        """A hand was on some control."""
        self.touched_s = now_s
        self._as_house = False

    def choose(self, who: int, gesture: str, now_s: float) -> Order | str:
        """A hand asks for a preset.

        Args:
            who: Performer's number, -1 the engineer.
            gesture: ``NEXT``, ``PREVIOUS``, ``HOUSE`` or a name.
            now_s: This moment, s.

        Returns:
            What to recall, or why not.
        """
        plan = self.plan
        if not self._started:
            return "the console has not been read yet"
        if who != ENGINEER and plan.hands is not None and who not in plan.hands:
            return "the rig does not let these hands choose presets"
        home = gesture == HOUSE
        name = plan.house if home else walked(plan.presets, self.current, gesture)
        if not name:
            return f"this room has only {', '.join(plan.presets)}"
        house = name == plan.house
        self.touched(now_s)
        self._owed = None
        return Order(name, "a hand", house, house and plan.unsilence, asked=True)

    def refusal(self, who: int) -> str:
        """Why somebody may not store, copy or undo here; empty when they may."""
        return "" if who == ENGINEER else "this room keeps to its presets"

    # -- time -----------------------------------------------------------------------------------

    def advance(self, now_s: float, minute: int, *, live: bool) -> Order | None:
        """What the room does by itself now.

        Args:
            now_s: This moment on a clock that never jumps, s.
            minute: Local time, minutes of the day, 0..1439.
            live: The console answers and the start is over.
        """
        self._struck = self._strikes(now_s, minute) or self._struck
        if not live:
            self._gone_s = min(self._gone_s, now_s)
            return None
        gone_s, self._gone_s = self._gone_s, math.inf
        if not self._started:
            self._started = True
            return self._home(now_s, "the start", opens=True)
        if now_s - gone_s >= AWAY_S:
            return self._home(now_s, "the console is back", opens=True)
        if self._struck:
            return self._home(now_s, f"it is {minute // 60:02}:{minute % 60:02}", opens=True)
        if not self._as_house and now_s - self.touched_s >= self.plan.idle_s:
            return self._home(now_s, f"no hand for {self.plan.idle_s / 60:g} min", opens=False)
        if self._owed is not None and now_s >= self._again_s:
            self._again_s = now_s + AGAIN_S
            return self._owed
        return None

    def _home(self, now_s: float, why: str, *, opens: bool) -> Order:
        self._as_house, self._struck = True, False
        self._again_s = now_s + AGAIN_S
        return Order(self.plan.house, why, opens)

    def _strikes(self, now_s: float, minute: int) -> bool:
        """Whether a declared hour lies between the last look at the wall clock and this one.

        A clock that was put back strikes nothing; one that jumped ahead strikes what it left out.
        """
        before, self._minute = self._minute, minute
        passed = (minute - before) % DAY_MIN
        if before < 0 or not 0 < passed <= DAY_MIN // 2:
            return False
        hit = any(0 < (hour - before) % DAY_MIN <= passed for hour in self.plan.minutes)
        if not hit or now_s - self._struck_s < SAME_HOUR_S:
            return False
        self._struck_s = now_s
        return True

    def recalled(self, order: Order, *, silent: bool) -> None:
        """An order was carried out.

        Args:
            order: Which.
            silent: Some of it was refused because the console does not answer.
        """
        self.current = order.preset
        self._owed = order if silent and not order.asked else None


# -- opening -------------------------------------------------------------------------------------


def opening(order: Order, preset: Preset, m: Matrix) -> list[Target]:
    """What an order opens: every bus of its preset, at the start level that the rig declares."""
    found: list[Target] = [(m.silence, 0.0)] if order.unsilences else []
    if order.opens:
        for name in preset.scope.buses:
            bus = m.layout.buses.index(name)
            found += [(m.mute + bus, 0.0), (m.dim + bus, 0.0), (m.open + bus, 1.0)]
    return found


def around(m: Matrix, bus: int) -> tuple[int, ...]:
    """Everything of a bus but its send levels."""
    cells = range(bus, m.channels * m.buses, m.buses)
    sends = (first + cell for first in (m.on, m.tap, m.pan) for cell in cells)
    return (*sends, *(first + bus for first in (m.master, m.mute, m.open, m.dim)))


# -- the window ----------------------------------------------------------------------------------


def windows(wanted: Iterable[Target], window_db: float, m: Matrix) -> dict[int, Window]:
    """How far performers may move each level that a preset fixes, by slot.

    A send that the preset has off stays off.

    Args:
        wanted: The preset's slots and values.
        window_db: How far up and down, dB.
        m: The numbering.
    """
    return {
        slot: _window(value, window_db)
        for slot, value in wanted
        if m.is_send(slot) or m.is_master(slot)
    }


def _window(level_db: float, window_db: float) -> Window:
    """Around off, which is ``-inf``, there is nothing but off."""
    low_db = level_db - window_db
    return (low_db if low_db > FLOOR_DB else OFF), level_db + window_db


def within(window: Window, asked_db: float, wanted_db: float) -> float:
    """What becomes of a performer's wish: a window stops, it never moves a level by itself.

    Args:
        window: Lowest and highest level, dB.
        asked_db: Where the level is asked to be, dB; it may lie outside of the window.
        wanted_db: The wish, dB.
    """
    low_db, high_db = min(window[0], asked_db), max(window[1], asked_db)
    return min(max(wanted_db, low_db), high_db)
