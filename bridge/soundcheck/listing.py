"""Marks and suggestions as text for people and as plain data for machines. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from bridge.rig.rig import Rig
from bridge.soundcheck.marks import Book, Mark
from bridge.soundcheck.plan import Pairs, done_pairs
from bridge.soundcheck.suggestions import CAUTION, Suggestion, suggestions


def listed(book: Book, rig: Rig, pairs: Pairs) -> dict[str, Any]:
    """All there is to know of a rig's marks, as plain data; levels in dB, frequencies in Hz."""
    names = rig.layout
    left = _untested(book, rig, pairs)
    return {
        "file": book.where,
        "marks": [_mark_data(book, mark) for mark in book.marks],
        "clear": [clear.model_dump(mode="json") for clear in book.clears],
        "untested": [{"channel": names.channels[c], "bus": names.buses[b]} for c, b in left],
        "suggestions": [asdict(one) for one in _suggestions(book)],
        "caution": CAUTION,
    }


def _mark_data(book: Book, mark: Mark) -> dict[str, Any]:
    in_force = book.in_force().get(mark.pair) is mark
    return {**mark.model_dump(mode="json"), "in_force": in_force}


def _suggestions(book: Book) -> list[Suggestion]:
    return suggestions(book.in_force().values())


def _untested(book: Book, rig: Rig, pairs: Pairs) -> list[tuple[int, int]]:
    done = done_pairs(book, rig)
    return [(c, b) for b, channels in enumerate(pairs) for c in channels if (c, b) not in done]


def lines(book: Book, rig: Rig, pairs: Pairs) -> Iterator[str]:
    """The same for people, a line at a time."""
    yield f"Marks in {book.where}: {len(book.in_force())} in force."
    binding = book.in_force()
    for mark in book.marks:
        yield f"  {_mark_line(mark, in_force=binding.get(mark.pair) is mark)}"
    for (channel, bus), clear in book.clear().items():
        yield f"  {channel}/{bus} stayed clear up to {clear.clear_to_db:.1f} dB"
    left = _untested(book, rig, pairs)
    if left:
        names = ", ".join(f"{rig.layout.channels[c]}/{rig.layout.buses[b]}" for c, b in left[:20])
        more = f" and {len(left) - 20} more" if len(left) > 20 else ""
        yield f"Not tested: {names}{more}."
    yield from _suggestion_lines(book)


def _mark_line(mark: Mark, *, in_force: bool) -> str:
    at = "" if mark.frequency_hz is None else f" at {mark.frequency_hz:.0f} Hz"
    state = "" if in_force else ", withdrawn" if mark.withdrawn else ", replaced by a newer one"
    when = f"{mark.moment:%Y-%m-%d %H:%M}"
    return (
        f"{mark.channel}/{mark.bus} rang at {mark.level_db:.1f} dB{at} ({mark.by}, {when}{state})"
    )


def _suggestion_lines(book: Book) -> Iterator[str]:
    told = False
    for one in _suggestions(book):
        for cut in one.cuts:
            told = True
            yield f"To try at the equaliser of {one.bus}: {cut.text()}."
        if one.left_out:
            yield f"  {one.left_out} more in {one.bus} left out: so many cuts are no cure."
        if one.unnamed:
            yield f"  {one.unnamed} of {one.bus} without a frequency: no cut can be named for them."
    if told:
        yield CAUTION
