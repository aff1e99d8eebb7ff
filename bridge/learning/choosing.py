"""What a control shall do: one question after another, or all answers in one line. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

from bridge.learning import texts
from bridge.learning.entry import Wish
from bridge.learning.finding import Finding
from bridge.learning.study import Spot, Study, actions_of
from bridge.maps.places import SCOPE_FIELDS
from bridge.rig.faults import shown
from bridge.rig.layout import KINDS, Parameter

SHOWN_MAX = 40
"""Most answers that are listed; the others can be named all the same."""

_MEANINGS = {
    "absolute": "absolute: it says where it stands",
    "relative": "relative: each click is some dB (`relative 0.5`)",
    "toggle": "toggle: each press changes the state",
    "momentary": "momentary: on while it is held",
    "set": "set: each press sets one value (`set -20`)",
    "step": "step: each press moves the level (`step 2`, `step -2`)",
}


AMOUNTS = ("step", "set", "relative")
"""Actions that have an amount."""


class Question(NamedTuple):
    """What is not known yet.

    Attributes:
        asked: The question.
        answers: What can be answered.
        amounts: Whether each answer has an amount; empty where none has any.
    """

    asked: str
    answers: tuple[str, ...]
    amounts: tuple[bool, ...] = ()


class Choosing:
    """The questions about one control.

    Args:
        study: Whose it is.
        finding: What it is.
        say: Takes lines for the person.

    Attributes:
        wish: The answer, once it is whole.
    """

    def __init__(
        self, study: Study, finding: Finding, say: Callable[[Iterable[str]], None]
    ) -> None:
        self._study, self._finding, self._say = study, finding, say
        self._offers = study.offers(finding)
        self._parameter: Parameter | None = None
        self._left: list[Spot] = []
        self._fields: list[str] = []
        self.wish: Wish | None = None

    @property
    def possible(self) -> bool:
        """There is something that this control can do for these hands."""
        return bool(self._offers)

    @property
    def question(self) -> Question:
        """What is not known yet."""
        if self._parameter is None:
            return Question("What shall it move?", tuple(one.value for one in self._offers))
        if self._fields:
            what = self._fields[0]
            names = tuple(self._told(what, name) for name in self._names(what))
            return Question(f"Which {what}?", names)
        actions = actions_of(self._finding, self._parameter)
        meanings = tuple(_MEANINGS[one] for one in actions)
        return Question("How?", meanings, tuple(one in AMOUNTS for one in actions))

    def ask(self) -> None:
        """Ask what is not known yet."""
        if not self._offers:
            self._say([f"The rig gives {self._study.person} nothing that this control could move."])
            return
        asked, answers, _ = self.question
        more = [f"... and {len(answers) - SHOWN_MAX} more"] if len(answers) > SHOWN_MAX else []
        self._say([*texts.choices(asked, answers[:SHOWN_MAX]), *more])

    def pick(self, number: int, amount: float = math.nan) -> bool:
        """Take an answer by its number.

        Args:
            number: From 0.
            amount: dB or value, where the answer has any; NaN for the usual.

        Returns:
            Whether there is such an answer.
        """
        if self.wish is not None or not 0 <= number < len(self.question.answers):
            return False
        if self._parameter is None:
            self._set_parameter(number)
        elif self._fields:
            self._set_place(number)
        else:
            self._finish(actions_of(self._finding, self._parameter)[number], amount)
        return True

    def answer(self, text: str) -> None:
        """Take an answer, or several in one line; what cannot be is said."""
        rest = self._take(text)
        if rest and rest == text:
            self._say([f"found {shown(rest)}, expected one of these, or `back`:"])
        while rest and rest != text and self.wish is None:
            text, rest = rest, self._take(rest)
        if self.wish is None:
            self.ask()
        elif rest:
            self._say([f"{shown(rest)} is left out: that was all that was to be known"])

    def _take(self, text: str) -> str:
        """Take the first answer of a line; answers the rest."""
        if self._parameter is None:
            return self._take_parameter(text)
        if self._fields:
            return self._take_place(text)
        return self._take_action(text)

    def _take_parameter(self, text: str) -> str:
        names = [one.value for one in self._offers]
        at, rest = _first(text, names)
        if at >= 0:
            self._set_parameter(at)
        return rest

    def _set_parameter(self, at: int) -> None:
        self._parameter = self._offers[at]
        self._left = self._study.spots(self._parameter)
        self._fields = list(SCOPE_FIELDS[KINDS[self._parameter][1]])
        self._narrow()

    def _names(self, what: str) -> list[int | str]:
        """What a field can still be, everybody's (no name) included."""
        return list(dict.fromkeys(dict(spot.names).get(what, "everybody") for spot in self._left))

    def _called(self, what: str, name: int | str) -> tuple[str, str]:
        """The rig's id and the label of a place that the map calls so."""
        for spot in self._left:
            for (field, known), own, label in zip(spot.names, spot.ids, spot.labels, strict=True):
                if (field, known) == (what, name):
                    return own, label
        return str(name), str(name)

    def _told(self, what: str, name: int | str) -> str:
        """A name with the names that people know."""
        others = [one for one in dict.fromkeys(self._called(what, name)) if one != str(name)]
        return f"{name} ({', '.join(others)})" if others else str(name)

    def _take_place(self, text: str) -> str:
        what = self._fields[0]
        names = self._names(what)
        ids, labels = zip(*(self._called(what, name) for name in names), strict=True)
        at, rest = _first(text, [str(name) for name in names], ids, labels)
        if at >= 0:
            self._set_place(at)
        return rest

    def _set_place(self, at: int) -> None:
        what = self._fields[0]
        name = self._names(what)[at]
        self._left = [spot for spot in self._left
                      if dict(spot.names).get(what, "everybody") == name]  # fmt: skip
        del self._fields[0]
        self._narrow()

    def _narrow(self) -> None:
        """Do not ask where there is nothing to choose."""
        while self._fields and len(self._names(self._fields[0])) == 1:
            del self._fields[0]
        assert self._parameter is not None
        actions = actions_of(self._finding, self._parameter)
        if not self._fields and len(actions) == 1 and actions[0] != "step":
            self._finish(actions[0], math.nan)

    def _take_action(self, text: str) -> str:
        assert self._parameter is not None
        actions = actions_of(self._finding, self._parameter)
        at, rest = _first(text, actions)
        if at < 0:
            return rest
        amount = math.nan
        if rest and actions[at] in AMOUNTS:
            word, _, rest = rest.partition(" ")
            try:
                amount = float(word.replace(",", "."))
            except ValueError:
                return f"{word} {rest}".strip()
        self._finish(actions[at], amount)
        return rest

    def _finish(self, action: str, amount: float) -> None:
        assert self._parameter is not None
        self.wish = Wish(self._parameter, self._left[0], action, amount)


def _first(text: str, *ways: Sequence[str]) -> tuple[int, str]:
    """Which of some names a line begins with, and the rest; -1 where with none.

    The same things may be named in several ways. A name counts before a number: the numbers are
    those of the list that was shown. An empty line is the first.
    """
    if not text:
        return (0 if ways[0] else -1), ""
    lowered = text.lower()
    for known in ways:
        fits = [n for n, name in enumerate(known) if _begins(lowered, name.lower())]
        if fits:
            at = max(fits, key=lambda n: len(known[n]))
            return at, text[len(known[at]) :].strip()
    word, _, rest = text.partition(" ")
    if word.isdecimal() and len(word) < 6 and 1 <= int(word) <= len(ways[0]):
        return int(word) - 1, rest.strip()
    return -1, text


def _begins(text: str, name: str) -> bool:
    return text.startswith(name) and text[len(name) : len(name) + 1] in ("", " ")
