"""Buttons and pedals that are pressed: short, long, twice, and while held. Pure.

    up --press--> down --release--> said once --time--> short
                   |                    |
                   hold_s: long         press within within_s: double

A button without a long and a double meaning acts on the press. Whatever a press turns out to be,
it is one thing: what has been told leaves nothing for its release to say.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from bridge.maps.move import Move

_TOLD = math.inf
"""Stands for the moment of a press whose meaning has been told already."""


@dataclass(frozen=True, slots=True)
class Button:
    """What pressing a control means.

    Attributes:
        press: Told on the press; with a ``long`` one on the release of a short press; with a
            ``double`` one when ``within_s`` has passed too.
        release: Told on the release; None for nothing.
        long: Told once the press has lasted ``hold_s``; None where a long press is no other.
        hold_s: How long that is, seconds.
        releases: The control tells its release too; else every message is a press.
        double: Told on a second press within ``within_s`` of the first; None for nothing.
        within_s: How long a second press is waited for, seconds from the first.
    """

    press: Move
    release: Move | None
    long: Move | None
    hold_s: float
    releases: bool
    double: Move | None = None
    within_s: float = 0.0


class Presses:
    """Which buttons are down, since when, and what they will mean when nothing more comes."""

    def __init__(self) -> None:
        """All buttons are up."""
        self._down: dict[int, float] = {}
        self._first: dict[int, float] = {}
        self._due: dict[int, tuple[float, Move]] = {}

    def hear(self, button: Button, pressed: bool, now_s: float) -> list[Move]:
        """A button says that it is down or up; answers what that means.

        Args:
            button: The button.
            pressed: It is down.
            now_s: This moment, seconds.
        """
        control = button.press.control
        if pressed:
            return self._pressed(control, button, now_s)
        if not button.releases:
            return []
        at_s = self._down.pop(control, math.nan)
        if at_s != at_s:
            return []  # it was not down: a release without a press says nothing
        if button.long is None and button.double is None:
            return [button.release] if button.release is not None else []
        return [] if at_s == _TOLD else self._released(control, button, now_s)

    def is_down(self, control: int) -> bool:
        """Whether a button is held."""
        return control in self._down

    def _pressed(self, control: int, button: Button, now_s: float) -> list[Move]:
        if control in self._down:
            return []  # still down: a pedal that sweeps, or a message that came twice
        late = self._overdue(control, now_s)
        if button.releases:
            self._down[control] = now_s
        if button.long is None and button.double is None:
            return [button.press]
        if self._first.pop(control, None) is not None:
            del self._due[control]
            self._told(control)
            assert button.double is not None, "only then a first press is remembered"
            return [*late, button.double]
        if button.double is not None:
            self._first[control] = now_s
            self._due[control] = (now_s + button.within_s, button.press)
        if button.long is not None:
            self._due[control] = (now_s + button.hold_s, button.long)
        return late

    def _released(self, control: int, button: Button, now_s: float) -> list[Move]:
        """A press ends that nothing has been told of yet."""
        late = self._overdue(control, now_s)
        if late or (button.long is None and control in self._due):
            return late  # it was long; or a second press is still waited for
        until_s = self._first.get(control, -math.inf) + button.within_s
        if now_s < until_s:
            self._due[control] = (until_s, button.press)
            return []
        self._due.pop(control, None)
        self._first.pop(control, None)
        return [button.press]

    def _told(self, control: int) -> None:
        if control in self._down:
            self._down[control] = _TOLD

    def _overdue(self, control: int, now_s: float) -> list[Move]:
        """What a control means by now, if it is time; it is told once."""
        due_s, move = self._due.get(control, (math.inf, None))
        if move is None or now_s < due_s:
            return []
        del self._due[control]
        self._first.pop(control, None)
        self._told(control)
        return [move]

    def advance(self, now_s: float) -> list[Move]:
        """Time has passed; answers what it has made of presses, the earliest first."""
        if not self._due:
            return []
        late = sorted((due_s, control) for control, (due_s, _) in self._due.items())
        return [move for _, control in late for move in self._overdue(control, now_s)]

    def next_wake_s(self) -> float:
        """When ``advance`` has something to say; inf when never."""
        return min((due_s for due_s, _ in self._due.values()), default=math.inf)

    def skip(self, seconds: float) -> None:
        """Let time that has passed count for no press: nobody could be heard in it."""
        self._down = {control: at_s + seconds for control, at_s in self._down.items()}
        self._first = {control: at_s + seconds for control, at_s in self._first.items()}
        self._due = {control: (at_s + seconds, move) for control, (at_s, move) in self._due.items()}

    def clear(self) -> None:
        """All buttons are up, as after a reconnect; a held one is not told as released.

        A short press that was over and waits for a second one is told in its time.
        """
        for control in self._down:
            self._first.pop(control, None)
            self._due.pop(control, None)
        self._down.clear()
