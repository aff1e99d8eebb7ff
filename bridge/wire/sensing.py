"""Active sensing: a MIDI sender that says "I am here" is gone once it stops. Pure.

MIDI 1.0 Detailed Specification, "Active Sensing" (FE): it is optional; but once a receiver has
heard it, the sender says something at least every 300 ms, and when nothing comes the receiver takes
the connection for broken. The clocks of both may be off by a tenth, so 330 ms are waited for.
"""

from __future__ import annotations

import math

ACTIVE_SENSING = b"\xfe"

SILENCE_S = 0.33
"""Silence after which a sender that had said FE is gone, s."""

LATE_S = 0.05
"""A look that comes later than this says more about us than about the sender, s."""

AGAIN_S = 0.1
"""Then what has come in meanwhile is read first, for so long, s."""


class Sensing:
    """One connection.

    Attributes:
        active: The sender has said FE, so its silence means something.
        gone: It has fallen silent.
        due_s: When its silence lasts too long, s; ``inf`` while silence means nothing.
    """

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        """Another connection: what the last one said does not count."""
        self.active = self.gone = False
        self.due_s = math.inf

    def heard(self, messages: list[bytes], now_s: float) -> list[bytes]:
        """Take what came, and answer what of it is more than a sign of life."""
        self.active = self.active or ACTIVE_SENSING in messages
        if self.active:
            self.gone, self.due_s = False, now_s + SILENCE_S
        return [message for message in messages if message != ACTIVE_SENSING]

    def silent(self, now_s: float) -> bool:
        """Whether the sender has just gone; to be asked at ``due_s``."""
        if now_s < self.due_s or self.gone:
            return False
        if now_s > self.due_s + LATE_S:
            self.due_s = now_s + AGAIN_S
            return False
        self.gone, self.due_s = True, math.inf
        return True
