"""What stands between two slashes of an OSC address pattern: compiled, and matched. Pure.

A part is compiled to tokens. Matching keeps the set of places in the text that the tokens so far
can reach, as the bits of one integer, and each token moves all of them on at once. So no part,
however many stars it has, costs more than its length times that of the text; matchers that try one
way after the other take seconds on the same part.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Final

SPECIAL: Final = frozenset("?*[]{}")

_What = str | frozenset[str]
_Where = Mapping[str, int]
_Move = Callable[[int, _What, _Where], int]
_Token = tuple[_Move, _What]
Part = tuple[_Token, ...]
"""A compiled part: how each token moves the places on, and its characters or strings."""


class FlawError(Exception):
    """What is wrong with a pattern. Never leaves ``pattern.compile_pattern``."""


def part_matches(part: Part, text: str) -> bool:
    """Whether a compiled part matches what stands between two slashes of an address."""
    literal = literal_text(part)
    if literal is not None:
        return literal == text
    where: dict[str, int] = {}
    for place, character in enumerate(text):
        where[character] = where.get(character, 0) | 1 << place
    places = 1
    for move, what in part:
        places = move(places, what, where)
        if not places:
            return False
    return places >> len(text) & 1 == 1


def literal_text(part: Part) -> str | None:
    """The one text that a part without wildcards matches; ``None`` for all other parts."""
    if len(part) == 1 and part[0][0] is _literal:
        return str(part[0][1])
    return None


# How tokens move the places on. Bit n of ``places`` is set when the tokens so far can match the
# first n characters; ``where`` has the places of each character. Bits behind the end of the text do
# no harm, as no character stands there; after a star they are all set (a negative integer).


def _literal(places: int, what: _What, where: _Where) -> int:
    for character in what:
        places = (places & where.get(character, 0)) << 1
    return places


def _any(places: int, what: _What, where: _Where) -> int:
    return places << 1


def _star(places: int, what: _What, where: _Where) -> int:
    return -(places & -places)  # the first place and all after it


def _one_of(places: int, what: _What, where: _Where) -> int:
    return (places & _places_of(what, where)) << 1


def _none_of(places: int, what: _What, where: _Where) -> int:
    return (places & ~_places_of(what, where)) << 1


def _strings(places: int, what: _What, where: _Where) -> int:
    after = 0
    for string in what:
        after |= _literal(places, string, where)
    return after


def _places_of(members: _What, where: _Where) -> int:
    places = 0
    for character, bits in where.items():
        if character in members:
            places |= bits
    return places


# Compiling. A reader gets the part and where its token starts, and answers with the token and where
# the next one starts.


def compile_part(text: str) -> Part:
    """Compile what stands between two slashes.

    Raises:
        FlawError: the part can match nothing.
    """
    tokens: list[_Token] = []
    at = 0
    while at < len(text):
        token, at = _READERS.get(text[at], _read_literal)(text, at)
        tokens.append(token)
    return tuple(tokens) or ((_literal, ""),)


def _read_literal(text: str, at: int) -> tuple[_Token, int]:
    end = at
    while end < len(text) and text[end] not in SPECIAL:
        end += 1
    return (_literal, text[at:end]), end


def _read_any(text: str, at: int) -> tuple[_Token, int]:
    return (_any, ""), at + 1


def _read_star(text: str, at: int) -> tuple[_Token, int]:
    return (_star, ""), at + 1


def _read_set(text: str, at: int) -> tuple[_Token, int]:
    inside, end = _enclosed(text, at, "]")
    move, members = (_none_of, inside[1:]) if inside.startswith("!") else (_one_of, inside)
    if not members:
        raise FlawError("empty set in brackets")
    return (move, frozenset(_members(members))), end


def _members(text: str) -> Iterable[str]:
    """The characters of a set, its ranges spelled out."""
    at = 0
    while at < len(text):
        if at + 2 < len(text) and text[at + 1] == "-":
            first, last = text[at], text[at + 2]
            if first > last:
                raise FlawError(f"range {first}-{last} runs backwards")
            yield from map(chr, range(ord(first), ord(last) + 1))
            at += 3
        else:
            yield text[at]
            at += 1


def _read_strings(text: str, at: int) -> tuple[_Token, int]:
    inside, end = _enclosed(text, at, "}")
    if not inside:
        raise FlawError("empty braces")
    if not SPECIAL.isdisjoint(inside):
        raise FlawError("wildcard or bracket inside braces")
    return (_strings, frozenset(inside.split(","))), end


def _enclosed(text: str, at: int, closing: str) -> tuple[str, int]:
    """What stands between the bracket at ``at`` and the first one that closes it."""
    end = text.find(closing, at)
    if end < 0:
        raise FlawError(f"{text[at]!r} has no {closing!r} in the same part")
    return text[at + 1 : end], end + 1


def _read_stray(text: str, at: int) -> tuple[_Token, int]:
    raise FlawError(f"{text[at]!r} closes nothing")


_READERS: Final[dict[str, Callable[[str, int], tuple[_Token, int]]]] = {
    "?": _read_any,
    "*": _read_star,
    "[": _read_set,
    "{": _read_strings,
    "]": _read_stray,
    "}": _read_stray,
}
