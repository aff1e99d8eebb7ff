"""The addresses of a rig: whether they can be, and which stand in each other's way. Pure."""

from __future__ import annotations

import fnmatch
from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from bridge.checking.ground import Ground, Hands, Remark
from bridge.doors import clashes, doors, is_loopback
from bridge.errors import Fault, LinkError
from bridge.links.address import MidiAddress, SocketAddress, parse_address
from bridge.links.senders import Sender, parse_reply, parse_sender
from bridge.rig.rig import Rig
from bridge.rig.toml import Path

PROBED = ((0x90, 0x80, "note"), (0xB0, 0xB0, "control change"), (0xC0, 0xC0, "program change"))
"""MIDI messages that a control may send: pressed, let go, and in words (MIDI 1.0, Table 1)."""


class Spot(NamedTuple):
    """An address of a rig, read.

    Attributes:
        path: Where it stands.
        text: What stands there.
        place: What it means.
    """

    path: Path
    text: str
    place: SocketAddress | MidiAddress


class _Kind(NamedTuple):
    """What may stand at a key: schemes, and whether it is listened on."""

    schemes: tuple[str, ...]
    listen: bool


_SOCKETS, _DOORS = _Kind(("udp", "tcp"), False), _Kind(("udp", "tcp"), True)
_UDP_DOOR, _TCP_DOOR, _MIDI = _Kind(("udp",), True), _Kind(("tcp",), True), _Kind(("midi",), False)


def _declared(rig: Rig) -> Iterator[tuple[Path, str | None, _Kind]]:
    console = rig.file.console
    yield ("console", "send"), console.send, _SOCKETS
    yield ("console", "listen"), console.listen, _UDP_DOOR
    yield ("console", "midi"), console.midi, _MIDI
    for number, controller in enumerate(rig.file.controller):
        yield ("controller", number, "listen"), controller.listen, _DOORS
        yield ("controller", number, "reply"), controller.reply, _SOCKETS
        yield ("controller", number, "midi"), controller.midi, _MIDI
    yield ("daemon", "watch"), rig.file.daemon.watch, _TCP_DOOR


def read(rig: Rig) -> tuple[list[Spot], list[Fault]]:
    """Read every address of a rig.

    Returns:
        The addresses, and the faults of those that cannot be.
    """
    spots, faults = [], []
    for path, text, kind in _declared(rig):
        if text is None:
            continue
        found = _read(rig, path, text, kind)
        if isinstance(found, Fault):
            faults.append(found)
        else:
            spots.append(found)
    senders = _senders(rig, faults)
    _replies(rig, spots, faults)
    return spots, [*faults, *clashes(rig), *_twins(rig, senders)]


def _read(rig: Rig, path: Path, text: str, kind: _Kind) -> Spot | Fault:
    where = rig.at(path)
    bare = kind is _MIDI and not text.startswith(("midi:", "midi-virtual:"))
    try:
        place = parse_address(f"midi:{text}" if bare else text, where, listen=kind.listen)
    except LinkError as error:
        return _fault(error)
    scheme = place.transport if isinstance(place, SocketAddress) else "midi"
    if scheme not in kind.schemes:
        forms = " or ".join("midi:Name*" if s == "midi" else f"{s}://..." for s in kind.schemes)
        return Fault(where, repr(text), forms)
    return Spot(path, text, place)


def _senders(rig: Rig, faults: list[Fault]) -> dict[int, Sender]:
    """Where each controller on a socket sends from, by its number; names are not looked up."""
    senders: dict[int, Sender] = {}
    for number, controller in enumerate(rig.file.controller):
        if controller.listen is None or controller.source is None:
            continue
        where = rig.at(("controller", number, "source"))
        try:
            senders[number] = parse_sender(controller.source, where)
        except LinkError as error:
            faults.append(_fault(error))
    return senders


def _replies(rig: Rig, spots: Sequence[Spot], faults: list[Fault]) -> None:
    """Replies that cannot leave from where the bridge listens."""
    doors = {spot.path[1]: spot.place for spot in spots if spot.path[-1] == "listen"}
    for spot in spots:
        door = doors.get(spot.path[1]) if spot.path[-1] == "reply" else None
        if isinstance(door, SocketAddress):
            try:
                parse_reply(spot.text, rig.at(spot.path), door)
            except LinkError as error:
                faults.append(_fault(error))


def _fault(error: LinkError) -> Fault:
    return Fault(error.link, error.found.removeprefix("found "),
                 error.remedy.removeprefix("expected "))  # fmt: skip


def _twins(rig: Rig, senders: Mapping[int, Sender]) -> Iterator[Fault]:
    """Two controllers that send from one address to one door."""
    seen: dict[tuple[str | None, Sender], str] = {}
    for number, sender in senders.items():
        controller = rig.file.controller[number]
        other = seen.setdefault((controller.listen, sender), controller.id)
        if other != controller.id:
            where = rig.at(("controller", number, "source"))
            yield Fault(where, f"{controller.source!r}, the source of {other} at the same port",
                        "an address or a port of its own")  # fmt: skip


# -- warnings -----------------------------------------------------------------------------------


def remarks(ground: Ground, spots: Sequence[Spot]) -> Iterator[Remark]:
    """What is odd about the addresses."""
    yield from _loops(ground.rig, spots)
    yield from _seen_by_all(ground.rig)
    yield from _unused(ground.rig)
    yield from _shared_ports(ground, spots)


def _loops(rig: Rig, spots: Sequence[Spot]) -> Iterator[Remark]:
    """Where the bridge would talk to itself."""
    for spot in spots:
        target = spot.place
        if spot.path[-1] not in ("send", "reply") or not isinstance(target, SocketAddress):
            continue
        for door in doors(rig):
            there = door.place
            if (target.transport, target.port) == (there.transport, there.port) and is_loopback(
                target.host
            ):
                yield Remark(rig.at(spot.path),
                             f"{spot.text} is where the bridge itself listens ({door.key})",
                             "name the other end's address and port")  # fmt: skip


def _seen_by_all(rig: Rig) -> Iterator[Remark]:
    """A live view that the network reaches: it asks nobody who they are."""
    for door in doors(rig):
        if door.path[0] == "daemon" and not door.loopback:
            yield Remark(rig.at(door.path), f"whoever reaches {door.text} may read the whole mix",
                         f"tcp://127.0.0.1:{door.place.port}, or a network of your own"
                         )  # fmt: skip


def _unused(rig: Rig) -> Iterator[Remark]:
    console = rig.file.console
    tcp = (console.send or "").startswith("tcp")
    if console.listen is not None and (tcp or console.midi is not None):
        yield Remark(rig.at(("console", "listen")), "is not used: the console answers on its link",
                     "leave it out")  # fmt: skip
    for number, controller in enumerate(rig.file.controller):
        for key in ("source", "reply"):
            if controller.midi is not None and getattr(controller, key) is not None:
                yield Remark(rig.at(("controller", number, key)), "is not used: the controller is "
                             "on a MIDI port", "leave it out")  # fmt: skip


def _shared_ports(ground: Ground, spots: Sequence[Spot]) -> Iterator[Remark]:
    """MIDI ports that two controllers, or a controller and the console, may take at once."""
    ports = [(spot, spot.place) for spot in spots if isinstance(spot.place, MidiAddress)]
    for number, (spot, here) in enumerate(ports):
        for other, there in ports[:number]:
            if _same_port(here, there):
                yield from _shared_port(ground, spot, other)


def _same_port(here: MidiAddress, there: MidiAddress) -> bool:
    one, two = here.pattern.lower(), there.pattern.lower()
    if one == two:
        return here.number == there.number
    return fnmatch.fnmatchcase(one, two) or fnmatch.fnmatchcase(two, one)


def _shared_port(ground: Ground, spot: Spot, other: Spot) -> Iterator[Remark]:
    rig = ground.rig
    numbers = [int(s.path[1]) for s in (other, spot) if s.path[0] == "controller"]
    if len(numbers) < 2:
        yield Remark(rig.at(spot.path), f"{spot.text!r} and the console's {other.text!r} may be "
                     "one port", "give the controller a port of its own")  # fmt: skip
        return
    first, second = (ground.hands[number] for number in numbers)
    both = list(_heard_by_both(first, second))
    if both:
        yield Remark(rig.at(spot.path),
                     f"{second.declared.id} and {first.declared.id} may be on one port, and there "
                     f"{both[0]} means something at both ({len(both)} such messages)",
                     "narrow the port names, or move one to another MIDI channel")  # fmt: skip


def _heard_by_both(first: Hands, second: Hands) -> Iterator[str]:
    """Messages that move something at two controllers; NRPN and sysex are not tried."""
    for pressed, released, kind in PROBED:
        for midi_channel in range(16):
            for number in range(128):
                down, up = bytes((pressed + midi_channel, number, 127)), \
                           bytes((released + midi_channel, number, 0))  # fmt: skip
                messages = (down[:2],) if kind == "program change" else (down, up)
                if all(_moves(hands, messages) for hands in (first, second)):
                    yield f"{kind} {number} on MIDI channel {midi_channel + 1}"


def _moves(hands: Hands, messages: Sequence[bytes]) -> bool:
    if hands.words.language != "midi":
        return False
    meant = [hands.words.understands(data) for data in messages]
    hands.words.clear()
    return any(meant)
