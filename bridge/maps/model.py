"""What an address map may say: one model a table, every key with its meaning and unit. Pure.

Pydantic is used while loading only; the running bridge reads compiled ``ConsoleWords`` and
``ControllerWords``.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, Strict

from bridge import limits
from bridge.limits import LIST_MAX
from bridge.rig.fields import NAME_PATTERN, SEEN_PATTERN, Id
from bridge.rig.layout import Parameter
from bridge.rig.toml import Path, place

Finite = Annotated[float, Field(allow_inf_nan=False)]
Level = Annotated[float, Field(ge=-200.0, le=60.0, allow_inf_nan=False)]
Text = Annotated[str, Field(min_length=1, max_length=200, pattern=SEEN_PATTERN)]
Word = bool | int | float | str
Words = Word | list[Word]
Label = Annotated[str, Field(min_length=1, max_length=200, pattern=NAME_PATTERN)]
Number = Annotated[int, Field(ge=0, le=limits.NUMBER_MAX)]
StepDb = Annotated[float, Field(ge=-12.0, le=12.0, allow_inf_nan=False)]


class _Table(BaseModel):
    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, defer_build=True
    )  # true is no level


class About(_Table):
    """`[map]`: what this is."""

    name: Label = Field(description="The map's name, shown to people.")
    kind: Literal["console", "controller"] = Field(
        description="Whether it describes the console's words or a controller's."
    )
    note: str = Field("", max_length=2000, description="Anything worth knowing; not read.")


class LawTable(_Table):
    """A rule between position 0..1 and dB: two ends, a named curve, or break points."""

    from_db: Level | None = Field(None, description="Straight: level at the bottom, dB.")
    to_db: Level | None = Field(None, description="Straight: level at the top, dB.")
    curve: Literal["40 log10", "60268-18"] | None = Field(
        None,
        description="`40 log10`: the MIDI volume curve; `60268-18`: the IEC 60268-18 scale. "
        "Both are off at the bottom.",
    )
    top_db: Level = Field(0.0, description="Curve: level at the top of the travel, dB.")
    points: list[Annotated[tuple[Finite, Level], Strict(False)]] | None = Field(
        None,
        max_length=LIST_MAX,
        description="[position, dB] pairs, both rising, the first at 0 and the last at 1.",
    )
    off_at_bottom: bool = Field(
        False, description="Straight and points: the very bottom is off instead of its level."
    )


class OscMessageTable(_Table):
    """An OSC message in full."""

    address: Text = Field(description="Address, with {channel} and {bus} where it has them.")
    arguments: list[Word] = Field(
        default_factory=list, max_length=LIST_MAX, description="Arguments, in order."
    )


Message = Text | OscMessageTable
"""OSC: an address or a table. MIDI: bytes in hex, `F0 7D 01 {bus} F7`."""


class Talk(_Table):
    """`[console]`: how to talk with the console besides setting values."""

    echoes: bool = Field(
        False, description="The console tells every change back to the one who made it."
    )
    messages_per_s: float | None = Field(
        None,
        ge=limits.MESSAGES_PER_S_MIN,
        le=1e6,
        description="Most messages a second that it takes; the rig may differ.",
    )
    bytes_per_s: float | None = Field(
        None,
        ge=limits.BYTES_PER_S_MIN,
        le=1e9,
        description="Most bytes a second that it takes; the rig may differ.",
    )
    ask_all: list[Message] = Field(
        default_factory=list, max_length=64, description="Messages that make it tell everything."
    )
    renew: list[Message] = Field(
        default_factory=list, max_length=64, description="Messages that renew a subscription."
    )
    renew_every_s: float = Field(
        0.0, ge=0, le=3600, description="How often to renew, seconds; 0 is never."
    )
    probe: list[Message] = Field(
        default_factory=list, max_length=64, description="Messages that it answers while it lives."
    )
    probe_every_s: float = Field(
        0.0, ge=0, le=3600, description="How often to probe, seconds; 0 is never."
    )
    alive: list[Message] = Field(
        default_factory=list, max_length=64, description="What it says that shows that it lives."
    )


Use = Literal["set", "read", "move", "show"]
Action = Literal[
    "absolute",
    "relative",
    "toggle",
    "momentary",
    "set",
    "step",
    "turn",
    "next turn",
    "previous turn",
]
TakeoverKind = Literal["jump", "pickup", "scaled"]


class Turn(_Table):
    """`[[turn]]`: one of several meanings that controls take in turn; the first is there at start.

    An entry with `in_turn` speaks in that turn only, one without in all of them.
    """

    id: Id = Field(description="Short name used in this file.")
    label: Label | None = Field(None, description="Name shown to people; the id when missing.")


class Press(_Table):
    """What another kind of press does than the plain one."""

    parameter: Annotated[Parameter, Strict(False)] | None = Field(
        None, description="What it moves; nothing where it turns."
    )
    channel: Number | Text | None = Field(None, description="Which channel; else the entry's.")
    bus: Number | Text | None = Field(None, description="Which bus; else the entry's.")
    group: Number | Text | None = Field(None, description="Which group.")
    preset: Number | Text | None = Field(None, description="Which preset.")
    action: Literal["toggle", "set", "step", "turn", "next turn", "previous turn"] = Field(
        "toggle", description="What it does."
    )
    to: float | None = Field(
        None, description="Value for `set`: dB (-inf is off), 0/1, or -1..1 for pan."
    )
    step_db: StepDb = Field(0.0, description="Change for `step`, dB.")
    turn: Text | None = Field(None, description="Where `turn` goes, the id of a `[[turn]]`.")


class LongPress(Press):
    """`long_press`: what a press means that is held; a short one then acts on release."""

    hold_s: float = Field(
        0.8, gt=0.05, le=limits.HOLD_S_MAX, description="How long it is held, seconds."
    )


class DoublePress(Press):
    """`double_press`: what a second press means that follows at once.

    The plain one then acts only when no second press has come in time.
    """

    within_s: float = Field(
        0.35,
        ge=limits.DOUBLE_S_MIN,
        le=limits.DOUBLE_S_MAX,
        description="How soon after the first press the second one comes, seconds.",
    )


class Entry(_Table):
    """What stands in an `[[osc]]` and a `[[midi]]` entry alike."""

    parameter: Annotated[Parameter, Strict(False)] | None = Field(
        None, description="What the message is about; left out only where it is about the turn."
    )
    label: Label | None = Field(None, description="The control's name, shown to people.")
    channel: Number | Text | None = Field(
        None, description="The one channel that it is about, by number or name."
    )
    bus: Number | Text | None = Field(
        None, description="The one bus that it is about, by number or name."
    )
    performer: Number | Text | None = Field(None, description="The one performer (freeze only).")
    group: Number | Text | None = Field(None, description="The one group, by number or id.")
    preset: Number | Text | None = Field(None, description="The one preset, by number or name.")
    channels: Annotated[tuple[Number, Number], Strict(False)] | None = Field(
        None, description="First and last channel number that it covers; else all."
    )
    buses: Annotated[tuple[Number, Number], Strict(False)] | None = Field(
        None, description="First and last bus number that it covers; else all."
    )
    use: list[Use] | None = Field(
        None,
        min_length=1,
        max_length=2,
        description="Console: `set` (the bridge says it), `read` (the console says it), both when "
        "missing. Controller: `move` (it moves the parameter, when missing), `show` (feedback).",
    )
    law: str | LawTable | None = Field(
        None, description="Level: rule between position and dB; a `[law]`, a curve or a table."
    )
    range: Annotated[tuple[Finite, Finite], Strict(False)] | None = Field(
        None, description="Numbers at the two ends of the travel (or of the scale in dB)."
    )
    unit_db: Finite | None = Field(
        None, description="Level: the number counts in steps of this many dB; no law then."
    )
    zero: Finite = Field(0.0, description="With `unit_db`: the number that means 0 dB.")
    off: Words | None = Field(None, description="What says off (level), or 0 (switch).")
    on: Words | None = Field(None, description="Switch: what says 1.")
    pre: Words | None = Field(None, description="Tap: what says pre.")
    post: Words | None = Field(None, description="Tap: what says post.")
    centre: Finite | None = Field(None, description="Pan: the number that means the centre.")
    action: Action = Field(
        "absolute",
        description="Controller: what moving the control does. `turn`, `next turn` and `previous "
        "turn` move no parameter: other controls mean something else from then on.",
    )
    takeover: TakeoverKind = Field(
        "pickup", description="Controller, absolute: how it takes a level over."
    )
    step_db: StepDb = Field(
        0.0, description="Controller: dB a click (`relative`) or a press (`step`)."
    )
    to: float | None = Field(
        None, description="Controller, `set`: dB (-inf is off), 0/1, or -1..1 for pan."
    )
    releases: bool = Field(
        True, description="Controller, switch: it says a release too; else all is a press."
    )
    long_press: LongPress | None = Field(
        None, description="Controller, switch: what a long press does."
    )
    double_press: DoublePress | None = Field(
        None, description="Controller, switch: what pressing it twice does."
    )
    dead_zone: float = Field(
        0.0,
        ge=0.0,
        le=limits.DEAD_ZONE_MAX,
        description="Controller, absolute, with a law: how much of the travel at each end counts "
        "as the end, 0.03 for a pedal that does not reach its ends.",
    )
    in_turn: Text | None = Field(
        None, description="Controller: the `[[turn]]` in which it speaks; else in all of them."
    )
    turn: Text | None = Field(
        None,
        description="Controller: the turn that it is about, by its id: `turn` goes there, `show` "
        'lights up while it is on. `"*"` with `show`: the number of the turn that is on, from 1, '
        "or its name where the message carries text.",
    )


class OscEntry(Entry):
    """`[[osc]]`: one kind of OSC message."""

    address: Text = Field(
        description="Address with {channel} and {bus}: {bus:02} two digits, {channel-1} counted "
        "from 0, {channel:letters} from a list in `[names]`."
    )
    type: Literal["i", "f", "s", "h", "d", "T", "none"] = Field(
        "f", description="OSC type of the value; T is T or F; `none`: the message alone says it."
    )
    before: list[Word] = Field(
        default_factory=list,
        max_length=16,
        description='Arguments before the value: constants or "{channel}", "{bus}".',
    )
    after: list[Word] = Field(
        default_factory=list, max_length=16, description="Arguments after the value."
    )
    ask: Message | None = Field(None, description="Console: message that asks for the value.")


class Numbering(_Table):
    """A number that depends on channel and bus: first + per_channel x (channel - 1) + ..."""

    first: Number = Field(description="The number for channel 1 and bus 1.")
    per_channel: int = Field(0, ge=-16383, le=16383, description="Added for each channel.")
    per_bus: int = Field(0, ge=-16383, le=16383, description="Added for each bus.")


class MidiEntry(Entry):
    """`[[midi]]`: one kind of MIDI message."""

    message: Literal[
        "note",
        "control change",
        "control change 14",
        "nrpn",
        "rpn",
        "pitch bend",
        "program change",
        "channel pressure",
        "sysex",
    ] = Field(description="Which MIDI message.")
    midi_channel: Annotated[int, Field(ge=1, le=16)] | Numbering = Field(
        1, description="MIDI channel 1..16, or a rule."
    )
    number: Number | Numbering | None = Field(
        None, description="Note, controller, parameter or program number, or a rule."
    )
    bits: Literal[7, 14] = Field(
        14, description="NRPN and RPN: 14 sends both data entry controllers, 7 the coarse one only."
    )
    relative: Literal["two's complement", "binary offset", "sign magnitude"] = Field(
        "two's complement", description="Coding of a relative control change."
    )
    lsb_first: bool = Field(
        False, description="14-bit controllers, NRPN, RPN: the sender says the fine half first."
    )
    fine_half: Literal["kept", "zeroed", "awaited"] = Field(
        "kept",
        description="Console, 14-bit controllers, NRPN, RPN: what the console does when a coarse "
        "half comes. `kept`, assumed of any, leaves the fine half as it was; two messages more "
        "then see to it that nothing is louder in between. `zeroed` takes it as 0, as MIDI 1.0 "
        "says. `awaited` waits for the fine half.",
    )
    template: Text | None = Field(
        None, description="SysEx in hex: `F0 7D 01 {bus} {channel} {value:2} {checksum} F7`."
    )
    ask: Text | None = Field(
        None, description="Console: bytes in hex that ask for the value, with {channel}, {bus}."
    )


class MapFile(_Table):
    """A whole address map."""

    map: About
    console: Talk = Field(default_factory=Talk, description="Console maps only.")
    law: dict[str, LawTable] = Field(
        default_factory=dict, max_length=64, description="Laws by name."
    )
    names: dict[str, Annotated[list[Text], Field(min_length=1, max_length=LIST_MAX)]] = Field(
        default_factory=dict,
        max_length=64,
        description="Lists by name, for {channel:LIST}: the first name is number 1's.",
    )
    turn: list[Turn] = Field(
        default_factory=list,
        max_length=limits.TURNS_MAX,
        description="Controller: meanings that its controls take in turn.",
    )
    osc: list[OscEntry] = Field(
        default_factory=list, max_length=limits.ENTRIES_MAX, description="OSC messages."
    )
    midi: list[MidiEntry] = Field(
        default_factory=list, max_length=limits.ENTRIES_MAX, description="MIDI messages."
    )
    _text: str = PrivateAttr("")
    _where: str = PrivateAttr("address map")

    def at(self, path: Path) -> str:
        """``file:line key.path``, the way a fault says where it is."""
        return place(self._text, self._where, path)

    def remember(self, text: str, where: str) -> MapFile:
        """Keep the text that this was read from, to find lines for later faults."""
        self._text, self._where = text, where
        return self

    @property
    def language(self) -> Literal["osc", "midi"]:
        """What its messages are."""
        return "midi" if self.midi else "osc"

    @property
    def entries(self) -> Sequence[OscEntry | MidiEntry]:
        """Its entries, of the one kind that it has."""
        return self.midi or self.osc
