"""Words to a console that it is not known to have, and how low it may stand instead. Pure."""

from __future__ import annotations

from typing import NamedTuple

from bridge import limits


class Unsure(NamedTuple):
    """A word that the console is not known to have.

    Attributes:
        due_s: When it is told, or asked for, again.
        tries: How often it was.
        louder: It raises something.
        lowest: The lowest value that the console may have instead, since ``since_s``.
        older: The same for the time before that.
        since_s: When counting ``lowest`` began.
    """

    due_s: float
    tries: int
    louder: bool
    lowest: float
    older: float
    since_s: float

    def low(self) -> float:
        """The lowest value that the console may have."""
        return min(self.lowest, self.older)


def told_again(
    last: Unsure | None, before: float, *, due_s: float, louder: bool, now_s: float
) -> Unsure:
    """The next word about a slot goes out while the last one may still be under way.

    Args:
        last: What is known of the last word; None when the console has it.
        before: The value told last.
        due_s: When the new word is looked after.
        louder: The new word raises something.
        now_s: This moment, s.
    """
    if last is None:
        return Unsure(due_s, 0, louder, before, before, now_s)
    if now_s - last.since_s > limits.UNDER_WAY_S:
        return Unsure(due_s, 0, louder, before, last.lowest, now_s)
    return Unsure(due_s, 0, louder, min(last.lowest, before), last.older, last.since_s)
