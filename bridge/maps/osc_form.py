"""The OSC messages that a map's entries describe: addresses, arguments and types. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

from bridge.maps.flaw import Flaw
from bridge.maps.model import MapFile, Message, OscEntry, Word
from bridge.maps.scale import Raw
from bridge.maps.scales import Carrier
from bridge.maps.template import Field, Names, Template, address_flaw
from bridge.wire import osc

CARRIERS: dict[str, Carrier] = {
    "f": Carrier(whole=False, single=True, top=0),
    "d": Carrier(whole=False, single=False, top=0),
    "i": Carrier(whole=True, single=False, top=0),
    "h": Carrier(whole=True, single=False, top=0),
    "s": Carrier(whole=False, single=False, top=0, words="text"),
    "T": Carrier(whole=False, single=False, top=0, words="truth"),
    "none": Carrier(whole=False, single=False, top=0, words="nothing"),
}
"""What each type can carry."""

_NUMBER_TAGS = frozenset("fidh")
_TRUTH_TAGS = frozenset("TF")


class OscForm:
    """One entry, compiled: its address and arguments."""

    __slots__ = ("_after", "_before", "address", "fields", "type")

    def __init__(self, entry: OscEntry, map_file: MapFile) -> None:
        """Compile an entry.

        Raises:
            Flaw: its address or arguments cannot be.
        """
        self.type = entry.type
        self.address = _template("address", entry.address, map_file)
        self._before = _arguments("before", entry.before, map_file)
        self._after = _arguments("after", entry.after, map_file)
        named = {one.what for one in (*self._before, *self._after) if isinstance(one, Field)}
        self.fields = self.address.fields | named

    @property
    def carrier(self) -> Carrier:
        """What its value can carry."""
        return CARRIERS[self.type]

    def place(self, names: Names) -> Spoken:
        """The message at a place, all but the value.

        Raises:
            Flaw: the place has no such message.
        """
        return Spoken(
            self.type,
            filled("address", self.address, names),
            arguments_at(self._before, names),
            arguments_at(self._after, names),
        )


class Spoken(NamedTuple):
    """A message at one place, all but the value."""

    type: str
    address: str
    before: tuple[Word, ...]
    after: tuple[Word, ...]

    def message(self, raw: Raw) -> bytes:
        """The whole message with a value."""
        tag = {"T": "T" if raw else "F", "none": ""}.get(self.type, self.type)
        args = () if self.type == "none" else (raw,)
        tags = tags_of(self.before) + tag + tags_of(self.after)
        return osc.encode(self.address, tags, (*self.before, *args, *self.after))

    def fits(self, tags: str, args: Sequence[Any]) -> bool:
        """Whether arguments are this message's, with some value."""
        first, last = len(self.before), len(args) - len(self.after)
        if last - first != (self.type != "none"):
            return False
        if tuple(args[:first]) != self.before or tuple(args[last:]) != self.after:
            return False
        return self.type == "none" or _suits(self.type, tags[first])


def _suits(kind: str, tag: str) -> bool:
    """Whether a value of that tag may stand for the declared type: numbers stand for numbers."""
    if kind == "s":
        return tag == "s"
    return tag in _NUMBER_TAGS or tag in _TRUTH_TAGS


def tags_of(args: Sequence[Word]) -> str:
    """The type tags of constant arguments."""
    return "".join(_tag(one) for one in args)


def _tag(one: Word) -> str:
    if isinstance(one, bool):
        return "T" if one else "F"
    return "s" if isinstance(one, str) else "f" if isinstance(one, float) else "i"


def _template(key: str, text: str, map_file: MapFile) -> Template:
    try:
        template = Template(text, map_file.names)
    except ValueError as problem:
        raise Flaw(key, problem, "an OSC address with fields") from None
    flaw = address_flaw(template.fill(dict.fromkeys(template.fields, "x")))
    if flaw:
        raise Flaw(key, flaw, "an OSC address, /like/{channel:02}/this")
    return template


def _arguments(key: str, args: Sequence[Word], map_file: MapFile) -> tuple[Word | Field, ...]:
    return tuple(_argument(key, one, map_file) for one in args)


def _argument(key: str, one: Word, map_file: MapFile) -> Word | Field:
    if not isinstance(one, str) or "{" not in one:
        return one
    try:
        field = Template(one, map_file.names).only()
    except ValueError as problem:
        raise Flaw(key, problem, "a constant or one field") from None
    if field is None:
        raise Flaw(key, repr(one), 'a constant or one field, "{channel}"')
    return field


def arguments_at(args: Sequence[Word | Field], names: Names) -> tuple[Word, ...]:
    """Arguments with their fields filled in."""
    return tuple(_number(one, names) if isinstance(one, Field) else one for one in args)


def _number(field: Field, names: Names) -> Word:
    """A field as an argument: a number where it is one, else the name."""
    name = names[field.what]
    if isinstance(name, int) and not field.words and field.width == 1:
        return name + field.plus
    return field.fill(names)


def filled(key: str, template: Template, names: Names) -> str:
    """The address at a place.

    Raises:
        Flaw: the place has none.
    """
    try:
        address = template.fill(names)
    except ValueError as problem:
        raise Flaw(key, problem, "an address for every place that the entry covers") from None
    flaw = address_flaw(address)
    if flaw:
        raise Flaw(key, flaw, "names that may stand in an OSC address")
    return address


class Plain(NamedTuple):
    """A message in full, compiled."""

    address: Template
    arguments: tuple[Word | Field, ...]

    @property
    def fields(self) -> frozenset[str]:
        """What it has fields for."""
        named = {one.what for one in self.arguments if isinstance(one, Field)}
        return self.address.fields | named


def compile_message(key: str, message: Message, map_file: MapFile) -> Plain:
    """A message in full, compiled.

    Raises:
        Flaw: it cannot be.
    """
    if isinstance(message, str):
        return Plain(_template(key, message, map_file), ())
    address = _template(key, message.address, map_file)
    return Plain(address, _arguments(key, message.arguments, map_file))
