"""Buttons and pedals that are pressed: short, long, and while held. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

from bridge.maps.move import Move

_FIRED = math.inf
"""Stands for the moment of a press whose long meaning has been told already."""


@dataclass(frozen=True, slots=True)
class Button:
    """What pressing a control means.

    Attributes:
        press: Told on the press, or on the release of a short press when there is a ``long`` one.
        release: Told on the release; None for nothing.
        long: Told once the press has lasted ``hold_s``; None where a long press is no other.
        hold_s: How long that is, seconds.
        releases: The control tells its release too; else every message is a press.
    """

    press: Move
    release: Move | None
    long: Move | None
    hold_s: float
    releases: bool


class Presses:
    """Which buttons are down, and since when."""

    def __init__(self) -> None:
        """All buttons are up."""
        self._down: dict[int, float] = {}
        self._waiting: dict[int, Button] = {}

    def hear(self, button: Button, pressed: bool, now_s: float) -> list[Move]:
        """A button says that it is down or up; answers what that means.

        Args:
            button: The button.
            pressed: It is down.
            now_s: This moment, seconds.
        """
        control = button.press.control
        if not button.releases:
            return [button.press] if pressed else []
        if pressed:
            return self._pressed(control, button, now_s)
        at_s = self._down.pop(control, math.nan)
        self._waiting.pop(control, None)
        if at_s != at_s:
            return []  # it was not down: a release without a press says nothing
        if button.long is None:
            return [button.release] if button.release is not None else []
        if at_s == _FIRED:
            return []
        return [button.long if now_s - at_s >= button.hold_s else button.press]

    def _pressed(self, control: int, button: Button, now_s: float) -> list[Move]:
        if control in self._down:
            return []  # still down: a pedal that sweeps, or a message that came twice
        self._down[control] = now_s
        if button.long is None:
            return [button.press]
        self._waiting[control] = button
        return []

    def advance(self, now_s: float) -> list[Move]:
        """Time has passed; answers the long presses that it has made."""
        moves = []
        for control, button in list(self._waiting.items()):
            if now_s - self._down[control] >= button.hold_s:
                del self._waiting[control]
                self._down[control] = _FIRED
                assert button.long is not None
                moves.append(button.long)
        return moves

    def next_wake_s(self) -> float:
        """When ``advance`` has something to say; inf when never."""
        return min(
            (self._down[control] + button.hold_s for control, button in self._waiting.items()),
            default=math.inf,
        )

    def clear(self) -> None:
        """All buttons are up, as after a reconnect; a held one is not told as released."""
        self._down.clear()
        self._waiting.clear()
