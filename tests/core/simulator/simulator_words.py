"""A small language of its own between bridge and stand-in: words that a test can read."""

from __future__ import annotations

from simulator_tape import SETTABLE, settable

from bridge.maps.console import ASK_ALL, ASKED, PROBE, RENEW

_TALK = {b"all": ASK_ALL, b"renew": RENEW, b"probe": PROBE}


class FakeWords:
    """Reads ``set 5 -3.0``, ``ask 5``, ``all``, ``renew``, ``probe``; says ``is 5 -3.0``."""

    language = "osc"

    def __init__(self, *, echoes: bool = False, renew_every_s: float = 0.0) -> None:
        self.can_set = settable(*SETTABLE)
        self.can_read = settable(*SETTABLE[:-1])
        self.echoes, self.renew_every_s = echoes, renew_every_s
        self.alive = (b"alive",)
        self.cleared, self.padded = 0, False

    def encode(self, slot: int, value: float) -> tuple[bytes, ...]:
        data = f"is {slot} {value}".encode()
        return (data.ljust(-(-len(data) // 4) * 4) if self.padded else data,)

    def held(self, slot: int, value: float) -> float:
        return value

    def decode(self, data: bytes) -> tuple[tuple[int, float], ...]:
        parts = data.split()
        if data.strip() in _TALK:
            return ((_TALK[data.strip()], 0.0),)
        if len(parts) == 2 and parts[0] == b"ask":
            return ((ASKED - int(parts[1]), 0.0),)
        if len(parts) == 3 and parts[0] == b"set":
            return ((int(parts[1]), float(parts[2])),)
        return ()

    def clear(self) -> None:
        self.cleared += 1


def say(slot: int, value: float) -> bytes:
    """What a bridge says in this language."""
    return f"set {slot} {value}".encode()
