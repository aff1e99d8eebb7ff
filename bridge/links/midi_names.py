"""Which MIDI port is meant: names, patterns, twins. Pure."""

from __future__ import annotations

import fnmatch
import re
from collections.abc import Sequence
from dataclasses import dataclass

CLIENT = "foldbridge link"
"""Name under which the bridge's own ends appear at the driver. No pattern takes such a port: ``*``
would connect the bridge to itself."""

_ALSA_NUMBERS = re.compile(r" \d+:\d+$")
_OWN = (CLIENT, f"RtMidi:{CLIENT}")


@dataclass(frozen=True, slots=True)
class MidiPort:
    """One port as its driver lists it.

    Attributes:
        api: ``alsa``, ``jack``, ``coremidi`` or ``winmm``.
        output: True for a port that takes messages, False for one that gives them.
        name: The driver's name of it.
        twin: How many ports of exactly this name come before it in the list.
    """

    api: str
    output: bool
    name: str
    twin: int = 0

    @property
    def plain_name(self) -> str:
        """The name without ALSA's numbers, which change with each plugging in."""
        return _ALSA_NUMBERS.sub("", self.name)


def listed(api: str, output: bool, names: Sequence[str]) -> tuple[MidiPort, ...]:
    """Number twins in a driver's list, and leave out the bridge's own ends."""
    seen: dict[str, int] = {}
    ports = []
    for name in names:
        twin = seen.get(name, 0)
        seen[name] = twin + 1
        if not name.startswith(_OWN):
            ports.append(MidiPort(api, output, name, twin))
    return tuple(ports)


def made_by(name: str, virtual_name: str) -> bool:
    """True if a port's name says that it is the bridge's virtual port of this name.

    JACK adds ``-01`` and so on to a client's name that is taken (jack_client_open, "client_name").
    """
    plain = re.escape(virtual_name)
    return re.match(rf"(RtMidi:)?{plain}(-\d\d)?(:| in$| out$)", name) is not None


def matching(ports: Sequence[MidiPort], pattern: str, output: bool) -> list[MidiPort]:
    """The ports of one direction whose plain name matches, upper and lower case alike.

    Args:
        ports: All ports.
        pattern: ``*``, ``?``, ``[...]`` as in shell patterns (POSIX.1, "Pattern Matching
            Notation"); ``[!...]`` is any other character.
        output: Which direction.
    """
    match = re.compile(fnmatch.translate(pattern.lower())).match
    return [p for p in ports if p.output == output and match(p.plain_name.lower())]


def chosen(ports: Sequence[MidiPort], pattern: str, number: int, output: bool) -> MidiPort | None:
    """The ``number``-th port (1 is the first) that matches, or None."""
    found = matching(ports, pattern, output)
    return found[number - 1] if 0 < number <= len(found) else None
