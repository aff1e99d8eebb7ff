"""The table of failures: its form, and how a text or a few words find their entry. Pure."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from functools import cached_property
from itertools import accumulate
from typing import Any

ANSWERS_MAX = 6
"""Entries that a search for words answers: more is a list that nobody reads."""

LINES_READ = 40
"""Lines of a pasted text that are looked at."""

LINE_READ = 600
"""Characters of a line that are looked at."""

STAMP_CHARACTERS = 80
"""Characters before a text in a log: time, level, and who speaks."""

CODE = re.compile(r"[a-z]+(-[a-z]+)+")
_WORD = re.compile(r"[a-z]{3,}")
_PLAIN = frozenset(_WORD.findall("and are for from has may not nothing that the this with"))


@dataclass(frozen=True, slots=True)
class Failure:
    """One kind of failure.

    Attributes:
        code: Area and kind: ``rig-address``.
        means: What it means.
        meanwhile: What the bridge does as long as nobody acts.
        do: What to do about it.
        says: Its texts, ``*`` for what is only known while running.
        sites: Functions whose texts are all of this kind: ``maps.osc_form.*``.
        likely: More texts of this kind, which the sources do not say in one piece.
        raised: Names of exceptions that are of this kind when no text fits.
    """

    code: str
    means: str
    meanwhile: str
    do: str
    says: tuple[str, ...] = ()
    sites: tuple[str, ...] = ()
    likely: tuple[str, ...] = ()
    raised: tuple[str, ...] = ()

    @property
    def area(self) -> str:
        """What the failure is about: the first word of its code."""
        return self.code.partition("-")[0]

    def data(self) -> dict[str, object]:
        """The entry for machines, without what only the tests need."""
        told = {"code": self.code, "means": self.means, "meanwhile": self.meanwhile, "do": self.do}
        return {**told, "says": list(self.says + self.likely)}


@dataclass(frozen=True, slots=True)
class Pattern:
    """A text with ``*`` for anything. Fits in one pass, however long and odd a text is.

    Attributes:
        parts: What stands between the stars, in small letters.
    """

    parts: tuple[str, ...]

    def fits(self, text: str) -> bool:
        """Whether a whole text in small letters fits."""
        first, *inner = self.parts
        if not inner:
            return text == first
        last, at = inner.pop(), len(first)
        if not (text.startswith(first) and text.endswith(last)):
            return False
        for part in inner:
            at = text.find(part, at)
            if at < 0:
                return False
            at += len(part)
        return at + len(last) <= len(text)


def pattern_of(glob: str) -> Pattern:
    """The pattern of a text."""
    return Pattern(tuple(glob.lower().split("*")))


def weight_of(glob: str) -> int:
    """How much a text says: its characters that are not ``*``."""
    return len(glob) - glob.count("*")


@dataclass(frozen=True, slots=True)
class _Glob:
    """One text of an entry, compiled."""

    glob: str
    pattern: Pattern
    weight: int
    failure: Failure


def _heaviest(globs: Iterable[_Glob]) -> list[_Glob]:
    """Of texts that all fit, those that say most: one, or several that cannot be told apart."""
    found = list(globs)
    most = max((one.weight for one in found), default=0)
    return [one for one in found if one.weight == most]


class Table:
    """All failures.

    Args:
        failures: In the order of the file.
    """

    def __init__(self, failures: Sequence[Failure]) -> None:
        self.failures = tuple(failures)
        self.by_code = {failure.code: failure for failure in self.failures}

    @cached_property
    def _says(self) -> list[_Glob]:
        return self._globs("says")

    @cached_property
    def _sites(self) -> list[_Glob]:
        return self._globs("sites")

    @cached_property
    def _likely(self) -> list[_Glob]:
        return self._globs("likely")

    def _globs(self, key: str) -> list[_Glob]:
        return [
            _Glob(glob, pattern_of(glob), weight_of(glob), failure)
            for failure in self.failures
            for glob in getattr(failure, key)
        ]

    def covers(self, text: str, site: str) -> list[tuple[Failure, str]]:
        """The entries of a text in the sources, each with the text or site that fits.

        Args:
            text: As people see it.
            site: Module and function that say it.

        Returns:
            One where all is well; none, or several that cannot be told apart, where it is not.
        """
        said = _heaviest(one for one in self._says if one.pattern.fits(text.lower()))
        found = said or _heaviest(one for one in self._sites if one.pattern.fits(site.lower()))
        return [(one.failure, one.glob) for one in found]

    def of_text(self, text: str) -> Failure | None:
        """The entry of one line as it was printed or logged; None where none fits."""
        line = text[:LINE_READ].lower()
        for globs, fits in (
            (self._says, Pattern.fits),
            (self._likely, Pattern.fits),
            (self._says, _ends),
            (self._likely, _ends),
        ):
            found = _heaviest(one for one in globs if fits(one.pattern, line))
            if found:
                return found[0].failure
        return None

    def of_error(self, kinds: Sequence[str], text: str) -> Failure | None:
        """The entry of an exception: by its text, else by the nearest of its classes.

        Args:
            kinds: Names of its classes, the nearest first.
            text: One line of what it says.
        """
        found = self.of_text(text)
        if found is not None:
            return found
        by_kind = {kind: failure for failure in self.failures for kind in failure.raised}
        return next((by_kind[kind] for kind in kinds if kind in by_kind), None)

    def search(self, words: str) -> list[Failure]:
        """Whatever suits what somebody typed: codes, an area, a pasted text, or words.

        Args:
            words: A code, several, the first word of some, a line of a log, or plain words.

        Returns:
            The best first; none where nothing suits.
        """
        several = words.split()
        if several and all(word in self.by_code for word in several):
            return [self.by_code[word] for word in several]
        area = [failure for failure in self.failures if failure.area == words.strip()]
        if area:
            return area
        lines = [line.strip() for line in words.splitlines()[:LINES_READ]]
        found = [failure for line in lines if line and (failure := self.of_text(line))]
        return list(dict.fromkeys(found)) or self._by_words(words)

    def _by_words(self, words: str) -> list[Failure]:
        wanted = _words(words)
        scores = [(len(wanted & _words(_all_of(one))), -i) for i, one in enumerate(self.failures)]
        best = sorted((score for score in scores if score[0] > len(wanted) // 2), reverse=True)
        return [self.failures[-number] for _, number in best[:ANSWERS_MAX]]

    def near(self, words: str) -> list[str]:
        """Codes that look like what was typed."""
        return get_close_matches(words.strip(), self.by_code, 3, 0.5)


def _ends(pattern: Pattern, text: str) -> bool:
    """Whether a text ends as a pattern says: in a log a time and a level stand before it."""
    words = text[:STAMP_CHARACTERS].split(" ")[:-1]
    ends = accumulate(len(word) + 1 for word in words)
    return any(pattern.fits(text[at:]) for at in ends)


def _words(text: str) -> frozenset[str]:
    return frozenset(_WORD.findall(text.lower())) - _PLAIN


def _all_of(failure: Failure) -> str:
    parts = (failure.code.replace("-", " "), failure.means, failure.do, *failure.says)
    return " ".join((*parts, *failure.likely))


def parse_table(text: str) -> Table:
    """The table from its file's text.

    Raises:
        ValueError: an entry has another form than ``Failure``, or a code stands twice.
    """
    failures: list[Failure] = []
    for number, said in enumerate(tomllib.loads(text)["failure"], 1):
        lists: dict[str, Any] = {
            key: tuple(said.pop(key, ())) for key in ("says", "sites", "likely", "raised")
        }
        try:
            failures.append(replace(Failure(**said), **lists))
        except TypeError as problem:
            raise ValueError(f"entry {number}, {said.get('code', 'no code')}: {problem}") from None
    table = Table(failures)
    if len(table.by_code) < len(failures):
        codes = [failure.code for failure in failures]
        raise ValueError(f"{next(code for code in codes if codes.count(code) > 1)} stands twice")
    return table
