"""Which socket each declared line joins to which, and what lies before and behind a socket. Pure.

A *socket* is a bus output, an amplifier's input or power output, or a loudspeaker. A line from an
input or a loudspeaker starts at its link-through, so it carries what that one is fed with; what
goes into an amplifier's input comes out of the output of the same number.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from bridge.rig.stage import End, Line

BUS, INPUT, OUTPUT, LOUDSPEAKER = "bus", "input", "output", "loudspeaker"


class Socket(NamedTuple):
    """Somewhere to plug a line in.

    Attributes:
        kind: ``bus``, ``input``, ``output`` or ``loudspeaker``.
        id: Of the bus, the amplifier or the loudspeaker.
        number: Of the amplifier's input or output; 0 elsewhere.
        side: Of a stereo bus; ``both`` elsewhere.
    """

    kind: str
    id: str
    number: int = 0
    side: str = "both"


def socket(end: End) -> Socket | None:
    """The socket that an end names; None unless it names exactly one."""
    named = [name for name in (end.bus, end.amplifier, end.loudspeaker) if name is not None]
    numbers = [number for number in (end.input, end.output) if number is not None]
    if len(named) != 1 or len(numbers) != (end.amplifier is not None):
        return None
    if end.amplifier is not None:
        return Socket(INPUT if end.input is not None else OUTPUT, end.amplifier, numbers[0])
    if end.bus is not None:
        return Socket(BUS, end.bus, 0, end.side)
    return Socket(LOUDSPEAKER, named[0])


class Wires:
    """The lines of a rig, to walk along; lines whose ends name no socket are left out."""

    def __init__(self, lines: Sequence[Line]) -> None:
        self.into: dict[Socket, list[int]] = {}
        self.out_of: dict[Socket, list[int]] = {}
        self.starts: dict[int, Socket] = {}
        self.ends: dict[int, Socket] = {}
        for number, line in enumerate(lines):
            start, end = socket(line.start), socket(line.end)
            if start is not None and end is not None:
                self.starts[number], self.ends[number] = start, end
                self.into.setdefault(end, []).append(number)
                self.out_of.setdefault(start, []).append(number)

    def feeds(self, at: Socket) -> Iterator[Socket]:
        """The sockets that feed a socket directly, by a line or inside an amplifier."""
        if at.kind == OUTPUT:
            yield Socket(INPUT, at.id, at.number)
        for number in self.into.get(at, ()):
            yield self.starts[number]

    def fed(self, at: Socket) -> Iterator[Socket]:
        """The sockets that a socket feeds directly, by a line or inside an amplifier."""
        if at.kind == INPUT:
            yield Socket(OUTPUT, at.id, at.number)
        for number in self.out_of.get(at, ()):
            yield self.ends[number]

    def sources(self, at: Socket) -> set[Socket]:
        """Where everything that reaches a socket begins: bus outputs, and inputs fed by nothing."""
        seen, waiting, found = {at}, [at], set()
        while waiting:
            here = waiting.pop()
            before = list(self.feeds(here))
            if not before:
                found.add(here)
            fresh = [one for one in before if one not in seen]
            seen.update(fresh)
            waiting += fresh
        return found

    def chain(self, at: Socket) -> tuple[int, ...]:
        """The lines from the source to a socket, by number; at a joint the last declared one."""
        lines: list[int] = []
        while True:
            if at.kind == OUTPUT:
                at = Socket(INPUT, at.id, at.number)
            into = self.into.get(at)
            if not into or into[-1] in lines:
                return tuple(reversed(lines))
            lines.append(into[-1])
            at = self.starts[into[-1]]

    def inward(self) -> Iterator[Socket]:
        """Every socket that is not part of a circle, what it feeds before itself."""
        behind = {at: len(list(self.fed(at))) for at in self._all()}
        waiting = [at for at, count in behind.items() if count == 0]
        while waiting:
            here = waiting.pop()
            yield here
            for before in self.feeds(here):
                behind[before] -= 1
                if behind[before] == 0:
                    waiting.append(before)

    def circle(self) -> int | None:
        """A line of those that go round in a circle, the last declared one; None without any."""
        free = set(self.inward())
        stuck = {at for at in self._all() if at not in free}
        # What is stuck from behind may merely lead into a circle; what is also stuck from before
        # is on one, or between two.
        trimmed = True
        while trimmed:
            leaves = {at for at in stuck if not stuck & set(self.feeds(at))}
            stuck -= leaves
            trimmed = bool(leaves)
        closing = [n for n, start in self.starts.items()
                   if start in stuck and self.ends[n] in stuck]  # fmt: skip
        return max(closing, default=None)

    def _all(self) -> dict[Socket, None]:
        """Every socket that a line or an amplifier touches, each once."""
        named = dict.fromkeys([*self.starts.values(), *self.ends.values()])
        for at in list(named):
            if at.kind in (INPUT, OUTPUT):
                named[Socket(INPUT, at.id, at.number)] = None
                named[Socket(OUTPUT, at.id, at.number)] = None
        return named
