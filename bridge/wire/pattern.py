"""OSC 1.0 address patterns: which addresses an incoming message means. Pure.

Pattern and address are split at ``/``, must have as many parts, and match part by part, so ``*``
and ``?`` never cross a ``/`` (OSC 1.0, "OSC Message Dispatching and Pattern Matching"). In a part:

    ?            one character
    *            any characters, or none
    [abc] [a-c]  one of them; ``-`` first or last and ``!`` not first mean themselves
    [!abc]       one that is none of them
    {foo,bar}    one of these strings

What the document leaves open is decided here: a range backwards, an empty set, brackets or braces
without their partner and wildcards inside braces make the pattern *flawed*, and a flawed pattern
matches nothing. The ``//`` of OSC 1.1 has no special meaning.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final

from bridge.wire.pattern_tokens import (
    SPECIAL,
    FlawError,
    Part,
    compile_part,
    literal_text,
    part_matches,
)

PATTERN_CHARACTERS_MAX: Final = 256
"""Longest pattern; real addresses are a quarter of it. It bounds what one message may cost."""

PATTERNS_KEPT: Final = 4096
"""Compiled patterns kept. An address that is sent is looked at once as a pattern too, and a matrix
of 64 channels and 32 buses has 2,048 of them."""


def is_pattern(text: str) -> bool:
    """Whether an address holds any character that OSC 1.0 reserves for patterns."""
    return not SPECIAL.isdisjoint(text)


@dataclass(frozen=True, slots=True)
class Pattern:
    """A compiled address pattern.

    Attributes:
        text: The pattern as it came.
        flaw: Why it matches nothing, or ``None``.
        parts: What stands between its slashes.
    """

    text: str
    flaw: str | None
    parts: tuple[Part, ...]

    def matches(self, address: str) -> bool:
        """Whether this pattern means that address; a flawed one never does."""
        if self.flaw is not None:
            return False
        parts = address.split("/")
        return len(parts) == len(self.parts) and all(map(part_matches, self.parts, parts))


@lru_cache(maxsize=PATTERNS_KEPT)
def compile_pattern(text: str) -> Pattern:
    """Compile an address pattern; an address without special characters is one too.

    Never raises: what is wrong with the pattern is its ``flaw``.
    """
    if len(text) > PATTERN_CHARACTERS_MAX:
        return Pattern(text, f"longer than {PATTERN_CHARACTERS_MAX} characters", ())
    if not text.startswith("/"):
        return Pattern(text, "does not start with '/'", ())
    if not text.isascii():  # a range over all of Unicode would spell out a million characters
        return Pattern(text, "is not ASCII", ())
    try:
        return Pattern(text, None, tuple(compile_part(part) for part in text.split("/")))
    except FlawError as flaw:
        return Pattern(text, str(flaw), ())


@dataclass(slots=True)
class _Branch:
    """What follows one beginning of an address.

    Attributes:
        below: What can come next, by part.
        address: The known address that ends here, if one does.
    """

    below: dict[str, _Branch] = field(default_factory=dict)
    address: str | None = None


class AddressTree:
    """Known addresses by their parts, so that a pattern need not be tried on each whole address.

    A matrix of 64 channels and 32 buses has 2,048 send addresses but hardly 100 different parts.
    """

    def __init__(self, addresses: Iterable[str]) -> None:
        self._root = _Branch()
        for address in addresses:
            branch = self._root
            for part in address.split("/"):
                branch = branch.below.setdefault(part, _Branch())
            branch.address = address

    def matching(self, pattern: Pattern) -> list[str]:
        """The known addresses that a pattern means, each once.

        They come in the order in which they were declared, but those that share their first parts
        stand together.
        """
        if pattern.flaw is not None:
            return []
        branches = [self._root]
        for part in pattern.parts:
            branches = _next_branches(part, branches)
        return [branch.address for branch in branches if branch.address is not None]


def _next_branches(part: Part, branches: list[_Branch]) -> list[_Branch]:
    """What a part matches below any of the branches; each name is tried once."""
    literal = literal_text(part)
    if literal is not None:
        return [branch.below[literal] for branch in branches if literal in branch.below]
    names = {name for branch in branches for name in branch.below}
    matching = {name for name in names if part_matches(part, name)}
    return [
        below for branch in branches for name, below in branch.below.items() if name in matching
    ]
