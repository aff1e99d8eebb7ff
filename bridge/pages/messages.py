"""What a page may say: short lists in JSON, each word with the kinds of its arguments. Pure.

["set", slot, value]     a level in dB (null is off), a switch's 0 or 1, a pan
["step", slot, dB]       louder or softer
["flip", slot]           a switch to its other state
["grip", slot]           a finger lies on it (null: it was lifted)
["undo"]                 my last change back
["start", bus]           the mix that this bus started with
["presets"]              show me what is stored
["recall", name]         a stored mix
["store", 0|1, label]    keep my mix under this label (1: in place of the one that has it)
["compare", name]        where the mix is not as it is stored
["copy", bus, bus]       the engineer copies the first mix onto the second
["answer", number, 0|1]  the engineer answers an ask
["limit", slot, dB, who] the engineer sets a ceiling (null: as declared), for one or all (null)
["sound", line]          the engineer begins a soundcheck, or says a word in it
["learn", word, n, dB]   the engineer learns a control (n, dB: null where the word has none)
["here"]                 the engineer still listens while something rises
["code", performer]      the engineer wants a code to join with
["revoke", serial]       the engineer takes a token out of force
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from typing import NamedTuple

from bridge.rig.rig import ENGINEER
from bridge.units import OFF

CHARACTERS_MAX = 256
"""Longest message: the longest that means something, a label, has about a hundred characters."""

TEXT_MAX = 60
"""Longest text within a message: a label of a preset, a word of a soundcheck."""

VALUE_MAX = 200.0
"""Largest value: beyond any level in dB."""

NUMBER_MAX = 2**31
"""Largest slot, serial or number."""


class Said(NamedTuple):
    """One message that means something.

    Attributes:
        word: Its first word.
        number: Its slot, bus, performer, number or serial; -1 where it has none.
        value: Its value; 0.0 where it has none, ``inf`` for a limit that is to go.
        whom: Performer's number; -1 where it has none, which is everybody.
        text: Its text; empty where it has none.
    """

    word: str
    number: int = -1
    value: float = 0.0
    whom: int = ENGINEER
    text: str = ""


def read(text: str) -> Said | str:
    """A message, or in words what is wrong with it. Never raises, whatever comes in."""
    if len(text) > CHARACTERS_MAX:
        return f"found {len(text)} characters, expected at most {CHARACTERS_MAX}"
    try:
        data = json.loads(text, parse_constant=_refuse)
    except (ValueError, RecursionError):
        return 'found no JSON, expected a list such as ["undo"]'
    if not isinstance(data, list) or not data or not isinstance(data[0], str):
        return "found something else, expected a list that begins with a word"
    kinds = WORDS.get(data[0])
    if kinds is None:
        return f"found an unknown word, expected one of {', '.join(WORDS)}"
    if len(data) - 1 != len(kinds):
        return f"found {len(data) - 1} values after {data[0]!r}, expected {len(kinds)}"
    values = [kind(value) for kind, value in zip(kinds, data[1:], strict=True)]
    if None in values:
        return f"found values after {data[0]!r} that cannot be, expected what its table says"
    numbers = [value for value in values if isinstance(value, int | float)]
    number, value, whom = numbers + [-1, 0.0, ENGINEER][len(numbers) :]
    words = [value for value in values if isinstance(value, str)]
    return Said(data[0], int(number), float(value), int(whom), words[0] if words else "")


def _refuse(name: str) -> float:
    raise ValueError(name)


def _number(value: object) -> float | None:
    if type(value) is not int or not 0 <= value < NUMBER_MAX:
        return None
    return value


def _number_or_none(value: object) -> float | None:
    return -1 if value is None else _number(value)


def _db(value: object) -> float | None:
    if type(value) not in (int, float):
        return None
    assert isinstance(value, int | float), "one of the two"
    return float(value) if -VALUE_MAX <= value <= VALUE_MAX else None


def _level(value: object) -> float | None:
    return OFF if value is None else _db(value)


def _limit(value: object) -> float | None:
    return math.inf if value is None else _db(value)


def _text(value: object) -> str | None:
    """Something to see, and nothing that a screen or a file trips over."""
    if not isinstance(value, str) or not 0 < len(value) <= TEXT_MAX:
        return None
    return value if value.isprintable() and value.strip() else None


Kind = Callable[[object], float | str | None]
WORDS: dict[str, tuple[Kind, ...]] = {
    "set": (_number, _level),
    "step": (_number, _db),
    "flip": (_number,),
    "grip": (_number_or_none,),
    "undo": (),
    "start": (_number,),
    "presets": (),
    "recall": (_text,),
    "store": (_number, _text),
    "compare": (_text,),
    "copy": (_number, _number),
    "answer": (_number, _db),
    "limit": (_number, _limit, _number_or_none),
    "sound": (_text,),
    "here": (),
    "learn": (_text, _number_or_none, _limit),
    "code": (_number,),
    "revoke": (_number,),
}
"""Every word with the kinds of what follows it."""

ENGINEER_WORDS = frozenset(
    {"compare", "copy", "answer", "limit", "sound", "here", "learn", "code", "revoke"}
)
"""What only the engineer's page may say."""

HANDS = frozenset({"set", "step", "flip", "undo", "start", "recall", "copy", "answer"})
"""Words with which a hand moves something: the idle time of a room begins anew."""
