"""From what an entry declares to its law and its scale. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from bridge import limits
from bridge.maps.flaw import Flaw
from bridge.maps.laws import curve_law, points_law, straight_law
from bridge.maps.model import Entry, LawTable, MapFile
from bridge.maps.pedal import PedalScale
from bridge.maps.scale import (
    DecibelScale,
    GridScale,
    PanScale,
    Raw,
    Scale,
    SoundScale,
    WordScale,
)
from bridge.maps.turns import ANY, TurnScale
from bridge.rig.layout import KINDS, Kind
from bridge.units import Law, TableLaw

CURVES = ("40 log10", "60268-18")
"""Laws that every map knows by name."""

PRESSES = frozenset(("toggle", "momentary", "set", "step", "turn", "next turn", "previous turn"))
"""Actions of a control that is pressed, whatever it then moves."""

DECIBEL_ENDS = (-90.0, 20.0)
"""Ends of a float in dB when the map does not say: the floor, and the most that a rig may allow."""


class Carrier(NamedTuple):
    """What kind of number or word a message can carry.

    Attributes:
        whole: Whole numbers only.
        single: A 32-bit float.
        top: Highest number, where the message itself has one; 0 has to be declared.
        on_from: From this number on a switch is on; the middle when 0.
        words: ``numbers``, ``truth`` (T and F), ``text`` or ``nothing``.
    """

    whole: bool
    single: bool
    top: float
    on_from: float = 0.0
    words: str = "numbers"


def law_of(law: str | LawTable, map_file: MapFile) -> Law:
    """The law that a map names or declares.

    Raises:
        Flaw: there is no such law, or it cannot be.
    """
    if isinstance(law, str):
        if law in CURVES:
            return curve_law(law, 0.0)
        if law not in map_file.law:
            known = ", ".join((*CURVES, *map_file.law))
            raise Flaw("law", repr(law), f"one of {known}, or a table")
        law = map_file.law[law]
    try:
        return compile_law(law)
    except ValueError as problem:
        raise Flaw("law", problem, "a law that rises") from None


def compile_law(law: LawTable) -> Law:
    """A declared law.

    Raises:
        Flaw: it is none of the three kinds, or several.
        ValueError: it does not rise.
    """
    straight = law.from_db is not None and law.to_db is not None
    if [straight, law.curve is not None, law.points is not None].count(True) != 1 or (
        not straight and (law.from_db, law.to_db) != (None, None)
    ):
        raise Flaw("law", "something else", "from_db and to_db, or curve, or points")
    if law.curve is not None:
        return curve_law(law.curve, law.top_db)
    if law.points is not None:
        return points_law(TableLaw(tuple(law.points), law.off_at_bottom))
    assert law.from_db is not None and law.to_db is not None
    return straight_law(law.from_db, law.to_db, law.off_at_bottom)


def scale_of(entry: Entry, map_file: MapFile, carrier: Carrier) -> Scale:
    """The scale of an entry.

    Raises:
        Flaw: the entry's keys do not make a scale.
    """
    kind = Kind.SWITCH if entry.parameter is None else KINDS[entry.parameter][0]
    if entry.turn == ANY:
        return _turn(entry, map_file, carrier)
    if map_file.map.kind == "controller" and entry.action in PRESSES:
        kind = Kind.SWITCH
    elif map_file.map.kind == "controller" and entry.action == "relative":
        return WordScale((0,), (1,))
    _refuse_strangers(entry, kind)
    if kind is Kind.LEVEL:
        return _level(entry, map_file, carrier)
    if kind is Kind.PAN:
        return _pan(entry, carrier)
    if kind is Kind.SOUND:
        return _sound(entry, carrier)
    return _words(entry, carrier, kind)


_KEYS: dict[Kind, frozenset[str]] = {
    Kind.LEVEL: frozenset(("law", "range", "unit_db", "zero", "off")),
    Kind.SWITCH: frozenset(("off", "on")),
    Kind.TAP: frozenset(("pre", "post")),
    Kind.PAN: frozenset(("range", "centre")),
    Kind.SOUND: frozenset(("range",)),
}
"""Keys that make a scale, by what is scaled."""


def _refuse_strangers(entry: Entry, kind: Kind) -> None:
    for key in sorted(frozenset().union(*_KEYS.values()) - _KEYS[kind]):
        if key in entry.model_fields_set:
            mine = ", ".join(sorted(_KEYS[kind]))
            raise Flaw(key, repr(getattr(entry, key)), f"no such key for a {kind}, but {mine}")


def _ends(entry: Entry, carrier: Carrier, otherwise: tuple[float, float]) -> tuple[float, float]:
    if carrier.words != "numbers":
        raise Flaw("type", carrier.words, "a type of number for a level or pan")
    if entry.range is None and carrier.whole and not carrier.top:
        raise Flaw("range", "nothing", "the numbers at both ends of the travel")
    low, high = entry.range or ((0, carrier.top) if carrier.whole else otherwise)
    if carrier.top and not (0 <= low <= carrier.top and 0 <= high <= carrier.top):
        raise Flaw("range", [low, high], f"numbers 0 to {carrier.top:g}")
    return low, high


def _turn(entry: Entry, map_file: MapFile, carrier: Carrier) -> Scale:
    """A display of the turn that is on."""
    if carrier.words not in ("numbers", "text"):
        raise Flaw("type", carrier.words, "a number or a text for a display")
    names = [one.label or one.id for one in map_file.turn]
    return TurnScale(names, text=carrier.words == "text")


def _level(entry: Entry, map_file: MapFile, carrier: Carrier) -> Scale:
    off = entry.off
    if off is not None and (isinstance(off, bool | str | list) or off != off):
        raise Flaw("off", repr(off), "the number that says off")
    if entry.law is not None and entry.unit_db is not None:
        raise Flaw("unit_db", entry.unit_db, "either a law or unit_db")
    if entry.dead_zone and entry.law is None:
        raise Flaw("dead_zone", entry.dead_zone, "a law: only a travel has ends")
    if entry.law is None and entry.unit_db is None and not carrier.whole:
        ends = _ends(entry, carrier, DECIBEL_ENDS)
        try:
            return DecibelScale(ends, single=carrier.single, off=off)
        except ValueError as problem:
            raise Flaw("range", problem, "lowest and highest level, dB") from None
    ends = _ends(entry, carrier, (0.0, 1.0))
    law = law_of(entry.law, map_file) if entry.law is not None else None
    return _grid(entry, law, ends, carrier, off)


def _grid(
    entry: Entry,
    law: Law | None,
    ends: tuple[float, float],
    carrier: Carrier,
    off: float | None,
) -> Scale:
    """A level by travel, or counted in steps of some dB when there is no law."""
    try:
        if law is None:
            law, ends = _counted(entry, ends, carrier)
        low, high = sorted(ends)
        if off is not None and (math.isinf(off) or (carrier.whole and off != int(off))):
            raise Flaw("off", off, "a number that the message can carry")
        if off is not None and low < off < high:
            raise Flaw("off", off, f"a number that is not inside {low:g} to {high:g}")
        if off is not None and carrier.top and not 0 <= off <= carrier.top:
            raise Flaw("off", off, f"a number 0 to {carrier.top:g}")
        if entry.dead_zone:
            return PedalScale(law, ends, entry.dead_zone, whole=carrier.whole, off=off)
        return GridScale(law, ends, whole=carrier.whole, off=off)
    except ValueError as problem:
        raise Flaw("range", problem, "numbers that can carry the level") from None


def _counted(
    entry: Entry, ends: tuple[float, float], carrier: Carrier
) -> tuple[Law, tuple[float, float]]:
    unit_db = entry.unit_db
    if unit_db is None:
        raise Flaw("law", "nothing", "a law, or unit_db for a number that counts in dB")
    if not carrier.whole:
        raise Flaw("unit_db", unit_db, "a type of whole number; a float is in dB without it")
    low, high = sorted(ends, key=lambda number: (number - entry.zero) * unit_db)
    return (
        straight_law((low - entry.zero) * unit_db, (high - entry.zero) * unit_db, False),
        (low, high),
    )


def _pan(entry: Entry, carrier: Carrier) -> Scale:
    ends = _ends(entry, carrier, (-1.0, 1.0))
    centre = entry.centre
    if centre is None and carrier.whole:
        # 64 of 0..127 is the centre, as in MMA RP-036 "Default Pan Formula" (from memory).
        centre = math.ceil((ends[0] + ends[1]) / 2)
    try:
        return PanScale(ends, centre, whole=carrier.whole)
    except ValueError as problem:
        raise Flaw("range", problem, "numbers left and right, and a centre between") from None


def _sound(entry: Entry, carrier: Carrier) -> Scale:
    """A measured level: the number is in dB(A) as it stands."""
    top = carrier.top or limits.SOUND_DB_MAX
    low, high = _ends(entry, carrier, (0.0, top)) if entry.range else (0.0, top)
    if not 0.0 <= low < high <= limits.SOUND_DB_MAX:
        raise Flaw("range", [low, high], f"levels 0 to {limits.SOUND_DB_MAX:g} dB(A), rising")
    return SoundScale(low, high)


def _words(entry: Entry, carrier: Carrier, kind: Kind) -> Scale:
    keys = ("pre", "post") if kind is Kind.TAP else ("off", "on")
    said = [getattr(entry, key) for key in keys]
    if carrier.words == "nothing":
        return WordScale((False,), (True,))
    if (said[0] is None) != (said[1] is None):
        missing = keys[0] if said[0] is None else keys[1]
        raise Flaw(missing, "nothing", f"both {keys[0]} and {keys[1]}, or neither")
    if said[0] is None:
        return _plain_words(keys, carrier)
    words = [_listed(key, one, carrier) for key, one in zip(keys, said, strict=True)]
    try:
        return WordScale(words[0], words[1])
    except ValueError as problem:
        raise Flaw(keys[1], problem, "different words") from None


def _plain_words(keys: Sequence[str], carrier: Carrier) -> Scale:
    if carrier.words == "text":
        raise Flaw(keys[0], "nothing", f"the words for {keys[0]} and {keys[1]}")
    if carrier.words == "truth":
        return WordScale((False,), (True,))
    top = int(carrier.top) or 1
    # From the middle on it is on: controller 64 is off below 64 and on from 64 (MIDI 1.0
    # Detailed Specification 4.2, "Switch controllers"). A note is on whatever its velocity.
    middle = (top + 1) / 2 if carrier.top else 0.5
    return WordScale((0,), (top,), threshold=carrier.on_from or middle)


_FITS = {"numbers": (int, float), "truth": (bool,), "text": (str,)}


def _listed(key: str, said: Raw | list[Raw], carrier: Carrier) -> tuple[Raw, ...]:
    words = tuple(said) if isinstance(said, list) else (said,)
    fits = _FITS[carrier.words]
    for word in words:
        number = carrier.words == "numbers"
        wrong = not isinstance(word, fits) or (number and isinstance(word, bool))
        if not wrong and number:
            size = float(word)
            wrong = not math.isfinite(size) or (carrier.whole and size != int(size))
            wrong = wrong or bool(carrier.top and not 0 <= size <= carrier.top)
        if wrong:
            what = {
                "numbers": f"a number 0 to {carrier.top:g}" if carrier.top else "a number",
                "truth": "true or false",
                "text": "text",
            }[carrier.words]
            raise Flaw(key, repr(word), what)
    if not words:
        raise Flaw(key, "[]", "a word or several")
    return words
