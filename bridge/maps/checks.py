"""What one entry of a map may not say. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator

from bridge import limits
from bridge.maps import turn_checks
from bridge.maps.book import form_of
from bridge.maps.flaw import Flaw
from bridge.maps.midi_form import Bytes
from bridge.maps.model import MapFile, MidiEntry, OscEntry, Press
from bridge.maps.osc_form import compile_message
from bridge.maps.places import SCOPE_FIELDS
from bridge.maps.scale import Scale
from bridge.maps.scales import PRESSES, scale_of
from bridge.rig.layout import KINDS, Kind, Parameter
from bridge.units import OFF, text

NOT_AT_A_CONSOLE = frozenset(
    (
        Parameter.GROUP,
        Parameter.FREEZE,
        Parameter.SILENCE,
        Parameter.SOUND_LEVEL,
        Parameter.BUS_HOLD,
        Parameter.ASK,
        Parameter.PRESET,
        Parameter.PRESET_NEXT,
        Parameter.PRESET_PREVIOUS,
        Parameter.PRESET_HOUSE,
        Parameter.PRESET_UNDO,
    )
)
"""What only the bridge knows: a console has channels, buses and sends."""

FALLS_SILENT = frozenset((Parameter.SEND_LEVEL, Parameter.BUS_MASTER))
"""Levels that the bridge takes all the way down: at a start, behind a gate, in a recall."""

_CONTROLLER_KEYS = (
    "action",
    "takeover",
    "step_db",
    "to",
    "long_press",
    "double_press",
    "releases",
    "relative",
    "dead_zone",
    "in_turn",
    "turn",
)
_USES = {"console": ("set", "read"), "controller": ("move", "show")}

_KINDS_OF_ACTION: dict[str, tuple[Kind, ...]] = {
    "absolute": tuple(Kind),
    "relative": (Kind.LEVEL,),
    "toggle": (Kind.SWITCH, Kind.TAP),
    "momentary": (Kind.SWITCH, Kind.TAP),
    "set": tuple(Kind),
    "step": (Kind.LEVEL,),
    **dict.fromkeys(turn_checks.TURNING, ()),
}
"""What each action can move."""

Entry = OscEntry | MidiEntry


def entry_flaws(entry: Entry, map_file: MapFile) -> Iterator[Flaw]:
    """Everything that is wrong with an entry."""
    yield from _own_flaws(entry, map_file)
    try:
        form = form_of(entry, map_file)
        yield from _place_flaws(entry, form.fields)
        scale = scale_of(entry, map_file, form.carrier)
        if map_file.map.kind == "console" and entry.parameter in FALLS_SILENT:
            yield from _loud_flaws(entry, scale)
    except Flaw as flaw:
        yield flaw


def _loud_flaws(entry: Entry, scale: Scale) -> Iterator[Flaw]:
    """A level that cannot be told to be quiet: a start would begin as loud as its lowest word."""
    least_db = scale.value(scale.raw(OFF))
    if "set" in (entry.use or ["set"]) and not least_db <= limits.QUIET_DB:
        key = "law" if entry.law is not None else "off"
        yield Flaw(
            key,
            f"no word quieter than {text(least_db)}",
            f"off, or a lowest level of {limits.QUIET_DB:g} dB or less",
        )


def _own_flaws(entry: Entry, map_file: MapFile) -> Iterator[Flaw]:
    kind = map_file.map.kind
    for use in entry.use or ():
        if use not in _USES[kind]:
            yield Flaw("use", repr(use), f"{' or '.join(_USES[kind])} in a {kind}'s map")
    for key in ("channels", "buses"):
        ends = getattr(entry, key)
        if ends is not None and not ends[0] <= ends[1]:
            yield Flaw(key, list(ends), "first and last, in that order")
    if kind == "console":
        yield from _console_flaws(entry, map_file)
    else:
        yield from _controller_flaws(entry, map_file)


def _console_flaws(entry: Entry, map_file: MapFile) -> Iterator[Flaw]:
    if entry.parameter is None:
        yield Flaw("parameter", "nothing", "what the message is about")
    elif entry.parameter in NOT_AT_A_CONSOLE:
        yield Flaw("parameter", repr(entry.parameter.value), "a parameter that consoles have")
    for key in _CONTROLLER_KEYS:
        if key in entry.model_fields_set:
            yield Flaw(key, repr(getattr(entry, key)), "no such key in a console's map")
    if entry.ask is None:
        return
    if "read" not in (entry.use or ["read"]):
        yield Flaw("ask", repr(entry.ask), "`read` in use, or nobody hears the answer")
    try:
        if isinstance(entry, OscEntry):
            fields = compile_message("ask", entry.ask, map_file).fields
        else:
            fields = Bytes("ask", str(entry.ask)).fields
        allowed = {*_scope(entry.parameter)}
        for what in sorted(fields - allowed):
            yield Flaw("ask", f"{{{what}}}", "fields of the parameter's places")
    except Flaw as flaw:
        yield flaw


def _scope(parameter: Parameter | None) -> tuple[str, ...]:
    """What a parameter is counted over; the turn over nothing."""
    return () if parameter is None else SCOPE_FIELDS[KINDS[parameter][1]]


def _controller_flaws(entry: Entry, map_file: MapFile) -> Iterator[Flaw]:
    if entry.ask is not None:
        yield Flaw("ask", repr(entry.ask), "no such key in a controller's map")
    yield from turn_checks.entry_flaws(entry, map_file)
    if entry.parameter is not None and not turn_checks.is_about_turns(entry):
        kind = KINDS[entry.parameter][0]
        if kind not in _KINDS_OF_ACTION[entry.action]:
            can = ", ".join(name for name, kinds in _KINDS_OF_ACTION.items() if kind in kinds)
            yield Flaw("action", repr(entry.action), f"{can} for a {kind}")
        yield from _value_flaws(entry.action, entry.to, entry.step_db, kind)
        if entry.dead_zone and (entry.action, kind) != ("absolute", Kind.LEVEL):
            yield Flaw("dead_zone", entry.dead_zone, "none: this is no absolute control of a level")
    elif entry.dead_zone:
        yield Flaw("dead_zone", entry.dead_zone, "none: this is no absolute control of a level")
    if "takeover" in entry.model_fields_set and entry.action != "absolute":
        yield Flaw("takeover", repr(entry.takeover), "no takeover, the control is not absolute")
    if "step_db" in entry.model_fields_set and entry.action not in ("relative", "step"):
        yield Flaw("step_db", entry.step_db, "no step_db, the action is not relative or step")
    if "to" in entry.model_fields_set and entry.action != "set":
        yield Flaw("to", entry.to, "no value, the action is not set")
    if entry.action == "relative" and "show" in (entry.use or ()):
        yield Flaw("use", "'show'", "an entry of its own that shows the level")
    yield from _press_flaws(entry, map_file)
    yield from _relative_flaws(entry)


def _value_flaws(action: str, to: float | None, step_db: float, kind: Kind) -> Iterator[Flaw]:
    if action in ("relative", "step") and not step_db:
        yield Flaw("step_db", step_db, "dB a click or a press, not 0")
    if action == "set" and not _allowed(to, kind):
        yield Flaw("to", to, _ALLOWED[kind])


_ALLOWED = {
    Kind.LEVEL: "-inf or -90 to 60 dB",
    Kind.SWITCH: "0 or 1",
    Kind.TAP: "0 (pre) or 1 (post)",
    Kind.PAN: "-1 to 1",
    Kind.SOUND: "nothing: a sound level is measured",
}


def _allowed(to: float | None, kind: Kind) -> bool:
    if to is None or kind is Kind.SOUND:
        return False
    if kind is Kind.LEVEL:
        return to == -math.inf or -90.0 <= to <= 60.0
    return -1.0 <= to <= 1.0 if kind is Kind.PAN else to in (0.0, 1.0)


_SHORT = ("toggle", "set", "step", *turn_checks.TURNING)
"""Actions that are over at once, so that other presses may mean something else."""


def _press_flaws(entry: Entry, map_file: MapFile) -> Iterator[Flaw]:
    """A message that comes with the press only knows no release, and so no length."""
    one_way = (entry.type == "none") if isinstance(entry, OscEntry) else _is_program(entry)
    if one_way and entry.action not in _SHORT:
        yield Flaw("action", repr(entry.action), "toggle, set or step: this message has no value")
    if entry.long_press is not None:
        if one_way or not entry.releases or entry.action not in _SHORT:
            yield Flaw("long_press", "a table", "a toggle, set or step that has a release")
        yield from _other_press_flaws("long_press", entry.long_press, entry, map_file)
    if entry.double_press is not None:
        if entry.action not in _SHORT:
            yield Flaw("double_press", "a table", "a toggle, set, step or turn")
        yield from _other_press_flaws("double_press", entry.double_press, entry, map_file)


def _other_press_flaws(key: str, press: Press, entry: Entry, map_file: MapFile) -> Iterator[Flaw]:
    """What is wrong with what a long or double press does."""
    flaws = list(turn_checks.press_flaws(press, map_file))
    if press.parameter is not None and press.action not in turn_checks.TURNING:
        kind = KINDS[press.parameter][0]
        if kind not in _KINDS_OF_ACTION[press.action]:
            yield Flaw(key, repr(press.action), f"another action for a {kind}")
        flaws += _value_flaws(press.action, press.to, press.step_db, kind)
        own = _scope(entry.parameter)
        for what in _scope(press.parameter):
            if what != "performer" and getattr(press, what, None) is None and what not in own:
                yield Flaw(key, f"no {what}", f"which {what} the {press.parameter} is of")
    for flaw in flaws:
        yield Flaw(key, flaw.found, f"{flaw.key}: {flaw.expected}")


def _is_program(entry: MidiEntry) -> bool:
    return entry.message == "program change" and entry.number is not None


def _relative_flaws(entry: Entry) -> Iterator[Flaw]:
    if isinstance(entry, OscEntry):
        if entry.action == "relative" and entry.type not in "fidh":
            yield Flaw("type", repr(entry.type), "a number of clicks, i or f")
        return
    turning = ("control change", "nrpn", "rpn")
    if entry.action == "relative" and entry.message not in turning:
        yield Flaw("message", repr(entry.message), f"{', '.join(turning)} for a relative control")
    if entry.action in PRESSES and entry.message == "pitch bend":
        yield Flaw("message", repr(entry.message), "a message that rests at 0 for a press")


def _said(entry: Entry) -> str:
    return "turn" if entry.parameter is None else str(entry.parameter)


def _place_flaws(entry: Entry, fields: frozenset[str]) -> Iterator[Flaw]:
    """An entry tells apart what its parameter is counted over, and nothing else."""
    scope = _scope(entry.parameter)
    key = "address" if isinstance(entry, OscEntry) else "number"
    for what in sorted(fields - set(scope)):
        yield Flaw(key, f"{{{what}}}", f"no {what}: a {_said(entry)} has none")
    for what in ("channel", "bus", "performer", "group", "preset"):
        fixed = getattr(entry, what) is not None
        if fixed and what not in scope:
            yield Flaw(what, repr(getattr(entry, what)), f"none for a {_said(entry)}")
        if what in scope and not fixed and what not in fields and what != "performer":
            yield Flaw(key, f"no {{{what}}}", f"{{{what}}}, or {what} = one of them")
