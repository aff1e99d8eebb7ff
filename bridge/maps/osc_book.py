"""What a map's OSC messages say, both ways: bytes to spots and numbers, and back. Pure.

A *spot* is an int that numbers one entry at one place. What is heard first meets a dict keyed by
the bytes before the value; only what is not there is read by the guarded decoder.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from struct import Struct
from typing import Any

from bridge.maps.model import MapFile, Message, Word
from bridge.maps.osc_form import (
    OscForm,
    Plain,
    Spoken,
    arguments_at,
    compile_message,
    filled,
    tags_of,
)
from bridge.maps.scale import Raw
from bridge.maps.template import Names
from bridge.wire import osc, pattern

PATTERN_ADDRESSES_MAX = 1024
"""Most addresses that one incoming pattern may mean. Who writes a pattern moves a row of a matrix;
thousands of wishes from one datagram would keep the loop busy for longer than a ramp's tick."""

PATTERNS_KEPT = 64
"""Patterns whose addresses are remembered; a controller uses a handful."""

_PACK = {tag: Struct(">" + code) for tag, code in zip("fidh", "fidq", strict=True)}

Heard = tuple[int, Raw]
_Reader = Callable[[bytes, int], tuple[Any, ...]]
_Fast = tuple[_Reader, tuple[int, ...]]


class OscBook:
    """All that is said and heard in OSC."""

    def __init__(self, *, patterns: bool) -> None:
        """Open an empty book.

        Args:
            patterns: Incoming addresses may be patterns (OSC 1.0, "OSC Message Dispatching").
        """
        self._spots: list[Spoken] = []
        self._heard: dict[str, list[int]] = {}
        self._exact: dict[tuple[str, tuple[Word, ...]], int] = {}
        self._tokens: dict[str, int] = {}
        self._fast: dict[bytes, _Fast] = {}
        self._plain: dict[int, Plain] = {}  # by the identity of what the map holds
        self._found: dict[str, tuple[str, ...]] = {}
        self._patterns = patterns
        self._tree: pattern.AddressTree | None = None
        self.flaw = ""

    def add(self, form: OscForm, names: Names, *, hear: bool) -> int:
        """Enter an entry at a place; answers its spot.

        Raises:
            Flaw: the place has no such message.
        """
        spoken = form.place(names)
        if hear:
            self._heard.setdefault(spoken.address, []).append(len(self._spots))
        self._spots.append(spoken)
        return len(self._spots) - 1

    def add_token(
        self,
        message: Message,
        map_file: MapFile,
        *,
        names: Names,
        token: int,
        exact: bool,
        key: str,
    ) -> Callable[[], bytes]:
        """Enter a message without a value; answers what writes its bytes.

        Args:
            message: The message.
            map_file: The map, for its lists.
            names: The place.
            token: What ``hear`` answers for it, below 0; 0 when it is only said.
            exact: Its arguments count too; else the address is enough.
            key: The key that declares it.

        Raises:
            Flaw: the message cannot be.
        """
        plain = self._plain.get(id(message))
        if plain is None:
            plain = self._plain[id(message)] = compile_message(key, message, map_file)
        address = filled(key, plain.address, names)
        args = arguments_at(plain.arguments, names)
        if token and exact:
            self._exact[address, args] = token
        elif token:
            self._tokens[address] = token
        return lambda: osc.encode(address, tags_of(args), args)

    def say(self, spot: int, raw: Raw) -> tuple[bytes, ...]:
        """The message of a spot with a number or word."""
        return (self._spots[spot].message(raw),)

    def address(self, spot: int) -> Hashable:
        """What tells a spot's message from others whatever its value."""
        return self._spots[spot]._replace(type="")

    def short_cut(self, data: bytes) -> tuple[_Reader, int] | None:
        """For a message that was heard: how its last 4 bytes are read, and its one spot."""
        fast = self._fast.get(data[:-4])
        return (fast[0], fast[1][0]) if fast is not None and len(fast[1]) == 1 else None

    def speaker(self, spot: int) -> tuple[Callable[[Any], bytes], bytes, bytes] | None:
        """Packer of the value, and all bytes before and after it, where it is a number."""
        spoken = self._spots[spot]
        packer = _PACK.get(spoken.type)
        if packer is None:
            return None
        tags = tags_of(spoken.after)
        tail = osc.encode("/", tags, spoken.after)[len(osc.header("/", tags)) :]
        whole = spoken.message(0)
        return packer.pack, whole[: len(whole) - len(tail) - packer.size], tail

    def overlaps(self) -> list[tuple[str, list[int]]]:
        """Messages that mean several spots, each with its address."""
        found: dict[Spoken, list[int]] = {}
        for spots in self._heard.values():
            for spot in spots if len(spots) > 1 else ():
                found.setdefault(self._spots[spot]._replace(type=""), []).append(spot)
        return [(spoken.address, spots) for spoken, spots in found.items() if len(spots) > 1]

    waiting = False

    def release(self) -> list[Heard]:
        """Nothing: an OSC message is whole."""
        return []

    def clear(self) -> None:
        """Forget half a value: OSC has none."""

    def hear(self, data: bytes) -> list[Heard]:
        """What a datagram says: spots with numbers or words, tokens with 0.

        Raises:
            WireError: it is no OSC.
        """
        fast = self._fast.get(data[:-4])
        if fast is not None:
            raw = fast[0](data, -4)[0]
            return [(spot, raw) for spot in fast[1]]
        heard: list[Heard] = []
        messages = osc.decode(data)
        for message in messages:
            found = self._meaning(message.address, message.tags, message.args)
            if not found and not self.flaw:
                self.flaw = f"{message.address} ,{message.tags}"
            heard += found
        if len(messages) == 1:
            self._remember(data, messages[0].address, messages[0].tags, heard)
        return heard

    def _remember(self, data: bytes, address: str, tags: str, heard: Sequence[Heard]) -> None:
        """Next time the bytes before the value are enough; at most one entry a spot."""
        spots = tuple(spot for spot, _ in heard if spot >= 0)
        if not spots or len(spots) != len(heard) or address not in self._heard:
            return
        kind = self._spots[spots[0]].type
        same = all(self._spots[one].type == kind and not self._spots[one].after for one in spots)
        if same and kind in "fi" and tags.endswith(kind):
            self._fast[data[:-4]] = (_PACK[kind].unpack_from, spots)

    def _meaning(self, address: str, tags: str, args: Sequence[Any]) -> list[Heard]:
        spots = self._heard.get(address)
        if spots is None and self._patterns and pattern.is_pattern(address):
            spots = [spot for one in self._matching(address) for spot in self._heard[one]]
        heard = [
            (spot, self._value(spot, args))
            for spot in spots or ()
            if self._spots[spot].fits(tags, args)
        ]
        if heard:
            return heard
        token = self._exact.get((address, tuple(args))) or self._tokens.get(address)
        return [(token, 0)] if token else []

    def _value(self, spot: int, args: Sequence[Any]) -> Raw:
        spoken = self._spots[spot]
        if spoken.type == "none":
            return True
        raw: Raw = args[len(spoken.before)]
        return raw

    def _matching(self, text: str) -> tuple[str, ...]:
        """The known addresses that a pattern means."""
        known = self._found.get(text)
        if known is not None:
            return known
        self._tree = self._tree or pattern.AddressTree(self._heard)
        compiled = pattern.compile_pattern(text)
        found = tuple(self._tree.matching(compiled))
        if len(found) > PATTERN_ADDRESSES_MAX:
            self.flaw = f"{text} means {len(found)} addresses, at most {PATTERN_ADDRESSES_MAX} may"
            return ()
        if compiled.flaw:
            self.flaw = f"{text}: {compiled.flaw}"
        if len(self._found) >= PATTERNS_KEPT:
            self._found.clear()
        self._found[text] = found
        return found
