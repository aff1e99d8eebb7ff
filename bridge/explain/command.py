"""`foldbridge explain`: what a failure means and what to do about it. I/O."""

from __future__ import annotations

import json
import sys
import textwrap
from collections.abc import Iterator, Sequence

from bridge.explain.hints import the_table
from bridge.explain.table import Failure

WIDTH = 96
"""Columns of what is printed."""

TEXTS_SHOWN = 4
"""Texts of a failure that are shown: as many as it takes to recognise one's own."""

_HEADS = (("means", "It means"), ("meanwhile", "Meanwhile"), ("do", "What to do"))


def explain(words: str, *, as_json: bool = False) -> int:
    """Print what suits a code or words, or all codes without any.

    Args:
        words: Codes, an area, a text as it was printed or logged, or plain words.
        as_json: For machines.

    Returns:
        0; 1 when nothing suits.
    """
    table = the_table()
    found = table.search(words) if words.strip() else list(table.failures)
    if as_json:
        print(json.dumps([failure.data() for failure in found], indent=2))
    elif not words.strip() or len({failure.area for failure in found}) == 1 < len(found):
        print("\n".join(_listed(found)))
    elif found:
        print("\n\n".join("\n".join(_told(failure)) for failure in found))
    else:
        near = table.near(words)
        more = f"perhaps {', '.join(near)}" if near else "all codes: foldbridge explain"
        print(f"nothing here explains {words[:WIDTH]!r}; {more}", file=sys.stderr)
    return 0 if found else 1


def _listed(found: Sequence[Failure]) -> Iterator[str]:
    """Codes with the first sentence of each."""
    wide = max(len(failure.code) for failure in found) + 2
    for failure in found:
        first = failure.means.partition(". ")[0].partition(": ")[0].rstrip(".")
        yield failure.code.ljust(wide) + textwrap.shorten(first, WIDTH - wide, placeholder=" ...")


def _told(failure: Failure) -> Iterator[str]:
    """One entry for people."""
    yield failure.code
    for key, head in _HEADS:
        lead = f"  {head:12}"
        yield textwrap.fill(getattr(failure, key), WIDTH, initial_indent=lead,
                            subsequent_indent=" " * len(lead))  # fmt: skip
    texts = [text.strip("*").replace("*", "…").strip(" :,;") for text in failure.says]
    for number, text in enumerate(texts[:TEXTS_SHOWN]):
        yield f"  {'' if number else 'Its texts':12}{text}"
