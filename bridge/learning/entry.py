"""From a finding and what it shall do to the text of a map's entry. Pure."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field

import tomlkit

from bridge.learning.finding import ABSOLUTE, LATCHING, PRESS, Finding, Setting
from bridge.learning.study import Spot, Study
from bridge.limits import DEAD_ZONE_MAX
from bridge.maps.model import LawTable, MapFile
from bridge.rig.layout import KINDS, Kind, Parameter

BOTTOM_DB = -60.0
"""Level above the off at the bottom of a travel: the floor of a ramp when the rig does not say."""

STEP_DB = 0.5
"""dB a click of a knob: a turn of some 24 clicks is 12 dB (common practice)."""

PRESS_DB = 2.0
"""dB a press: plainly heard."""

SWITCH_FROM_DB = -90.0
COUNTED_TOP_DB = 20.0
"""Ends of a control that counts in dB: what a map takes where it is not told."""

CHANGEABLE = (
    "label", "law", "range", "takeover", "step_db", "to", "action", "use", "releases", "off", "on",
    "pre", "post", "centre", "unit_db", "zero", "relative", "lsb_first", "bits", "dead_zone",
    "long_press", "double_press", "in_turn",
)  # fmt: skip
"""Keys that a person may change before the entry is written; the map's own checks follow."""

SHORT_OF_END = 0.004
"""Share of a travel that may be missing at an end: half a step of 7 bits."""

Keys = dict[str, object]


@dataclass(frozen=True, slots=True)
class Wish:
    """What a control shall do.

    Attributes:
        parameter: What it moves.
        spot: Where.
        action: As an entry names it.
        amount: dB for ``step`` and ``relative``; the value for ``set``; NaN where none was said.
        changes: Keys that a person set otherwise.
    """

    parameter: Parameter
    spot: Spot
    action: str
    amount: float = math.nan
    changes: Mapping[str, object] = field(default_factory=dict)


def entry_keys(finding: Finding, wish: Wish, study: Study, map_file: MapFile | None) -> Keys:
    """The keys of an entry, in the order in which people read them.

    Args:
        finding: What the control is.
        wish: What it shall do.
        study: Whose it is.
        map_file: The map as it is, for its laws; None where it has no entry yet.
    """
    keys: Keys = {"parameter": wish.parameter.value, **dict(wish.spot.names)}
    keys |= finding.keys
    keys["action"] = wish.action
    kind = KINDS[wish.parameter][0]
    if wish.action == "absolute" and kind in (Kind.LEVEL, Kind.PAN):
        keys |= _travel(finding, kind, wish, study, map_file)
    elif wish.action == "relative":
        keys["step_db"] = _amount(wish, -STEP_DB if finding.backwards else STEP_DB)
    else:
        keys |= _pressed(finding, wish, kind)
    for key, value in wish.changes.items():
        keys[key] = value
    return keys if keys["action"] != "absolute" else _without(keys, "action")


def advice(finding: Finding, keys: Keys) -> str:
    """How to make the ends count of a travel that did not reach them; empty where it did.

    Whoever moved it knows whether it could have gone farther, so nothing is done unasked.

    Args:
        finding: What the control is.
        keys: Its entry.
    """
    if finding.went is None or finding.ends is None or finding.unit_db or "range" in keys:
        return ""
    (low, high), (bottom, top) = finding.went, finding.ends
    below, above = (low - bottom) / (top - bottom), (top - high) / (top - bottom)
    missing = max(below, above)
    if "dead_zone" in keys or missing <= SHORT_OF_END or below + above > 0.5:
        return ""
    way = f"It went from {100.0 * below:.0f} % to {100.0 * (1.0 - above):.0f} % of its way"
    zone = math.ceil(100.0 * missing + 0.5) / 100.0
    if "law" in keys and zone <= DEAD_ZONE_MAX:
        change = f"change dead_zone {zone:g}"
    else:
        change = f"change range {low:g},{high:g}"
    return f"{way}. If it cannot go farther, `{change}` makes both its ends count."


def _without(keys: Keys, name: str) -> Keys:
    return {key: value for key, value in keys.items() if key != name}


def _amount(wish: Wish, otherwise: float) -> float:
    return otherwise if math.isnan(wish.amount) else wish.amount


def _travel(
    finding: Finding, kind: Kind, wish: Wish, study: Study, map_file: MapFile | None
) -> Keys:
    """A place on a travel: its range, and for a level its law."""
    assert finding.kind == ABSOLUTE
    floats = finding.keys.get("type") in ("f", "d")
    span = finding.span
    if kind is Kind.PAN:
        usual = span is None or (floats and span == (-1.0, 1.0))
        return {} if usual or span is None else {"range": _ends(span, floats)}
    if finding.unit_db:
        return _decibels(finding, floats)
    keys: Keys = {}
    if span is not None and not (floats and span == (0.0, 1.0)):
        keys["range"] = _ends(span, floats)
    law, takeover = _as_others(map_file, wish.parameter)
    top_db = study.top_db(wish.spot.slot)
    keys["law"] = law or {"from_db": min(BOTTOM_DB, top_db - 20), "to_db": top_db,
                          "off_at_bottom": True}  # fmt: skip
    keys["takeover"] = takeover or "pickup"
    return keys


def _decibels(finding: Finding, floats: bool) -> Keys:
    """A level that is said in dB, or counted in steps of some dB."""
    span = finding.span or (SWITCH_FROM_DB, COUNTED_TOP_DB)
    if floats:
        keys: Keys = {"range": [min(SWITCH_FROM_DB, span[0]), max(COUNTED_TOP_DB, span[1])]}
        if finding.off is not None:
            keys["range"] = [SWITCH_FROM_DB, max(COUNTED_TOP_DB, span[1])]
            keys["off"] = finding.off
        return keys
    unit_db = finding.unit_db
    low, high = round(SWITCH_FROM_DB / unit_db), round(COUNTED_TOP_DB / unit_db)
    ends = [min(low, int(span[0])), max(high, int(span[1]))]
    return {"unit_db": unit_db, "range": ends}


def _ends(span: tuple[float, float], floats: bool) -> list[float] | list[int]:
    return [float(one) for one in span] if floats else [int(one) for one in span]


def _as_others(map_file: MapFile | None, parameter: Parameter) -> tuple[object, str]:
    """Law and takeover that the map has for this parameter already: one person, one feel."""
    for entry in map_file.entries if map_file is not None else ():
        moves = "move" in (entry.use or ["move"])
        if moves and entry.parameter is parameter and entry.law and entry.action == "absolute":
            law = entry.law
            table = law.model_dump(exclude_unset=True) if isinstance(law, LawTable) else law
            return table, entry.takeover
    return None, ""


def _pressed(finding: Finding, wish: Wish, kind: Kind) -> Keys:
    """A button: its words, its amount, and whether it tells when it is let go."""
    keys: Keys = {}
    if wish.action == "step":
        keys["step_db"] = _amount(wish, PRESS_DB)
    elif wish.action == "set":
        default = {Kind.LEVEL: -20.0, Kind.PAN: 0.0}.get(kind, 1.0)
        keys["to"] = _amount(wish, default)
    off_key, on_key = ("pre", "post") if _says_tap(kind, wish) else ("off", "on")
    states = finding.states
    if finding.kind == LATCHING and wish.action != "absolute":
        # each of its two words is a press; nothing is ever the third
        keys |= _every_word(finding)
    elif states is not None and not finding.plain:
        keys |= {off_key: states[0], on_key: states[1]}
    if finding.kind == PRESS and not _comes_alone(finding):
        keys["releases"] = False
    return keys


def _says_tap(kind: Kind, wish: Wish) -> bool:
    return kind is Kind.TAP and wish.action == "absolute"


def _every_word(finding: Finding) -> Keys:
    """Both words of a button that keeps its own state, as presses."""
    assert finding.states is not None, "only buttons with known words are offered this"
    words = finding.states
    unused = "no such word" if isinstance(words[0], str) else min({2, 3, 4} - {*words})
    return {"off": unused, "on": [words[1], words[0]], "releases": False}


def _comes_alone(finding: Finding) -> bool:
    """The message is the press: a program change, or OSC without a value."""
    keys = finding.keys
    return keys.get("message") == "program change" or keys.get("type") == "none"


def entry_text(language: str, keys: Mapping[str, object]) -> str:
    """An entry as it stands in a map file.

    Args:
        language: ``osc`` or ``midi``.
        keys: Its keys, in order.
    """
    lines = [f"[[{language}]]"]
    ordered = dict(keys)
    label = ordered.pop("label", None)
    if label is not None:
        ordered = {"label": label, **ordered}
    lines += [f"{key} = {_toml(value)}" for key, value in ordered.items()]
    return "\n".join(lines) + "\n"


def _toml(value: object) -> str:
    """A value in TOML, on one line."""
    if isinstance(value, Mapping):
        inner = ", ".join(f"{key} = {_toml(one)}" for key, one in value.items())
        return f"{{ {inner} }}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(_toml(one) for one in value)}]"
    return str(tomlkit.item(value).as_string())


def read_setting(text: str) -> Setting | dict[str, Setting]:
    """A value as a person types it: TOML, or a plain word.

    Args:
        text: ``-0.5``, ``2,125``, ``"fader"``, ``fader``, ``{ from_db = -40, to_db = 0 }``.
    """
    for form in (text, f"[{text}]" if "," in text else text):
        try:
            value: Setting | dict[str, Setting] = tomllib.loads(f"value = {form}")["value"]
        except (tomllib.TOMLDecodeError, RecursionError):
            continue
        return value
    return text
