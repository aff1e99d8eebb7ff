"""What a rig says of how it is found by others: OSCQuery and DNS-SD. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from bridge import limits as bounds
from bridge.rig.faults import names_of, shown
from bridge.rig.fields import Name, Table
from bridge.rig.pages import PLACE
from bridge.rig.toml import Path

if TYPE_CHECKING:
    from bridge.rig.model import RigFile

ADDRESSES_MAX = 16
"""Most addresses that are announced on: a machine with more networks is a router."""

_BYTE = r"(25[0-5]|2[0-4]\d|1\d\d|[1-9]?\d)"
_IPV4 = re.compile(rf"{_BYTE}(\.{_BYTE}){{3}}")

Text = Annotated[str, Field(min_length=1, max_length=bounds.ADDRESS_CHARACTERS_MAX)]


class Discovery(Table):
    """`[discovery]`: tells other programs what one OSC controller may say (OSCQuery)."""

    controller: Text = Field(description="Id of the controller that is described.")
    listen: Text = Field("127.0.0.1:8781", description="Where it is asked, host:port.")
    open_to_network: bool = Field(
        False, description="Allows `listen` beyond this machine: whoever asks may read the mix."
    )
    announce: bool = Field(True, description="Announces it on the network by DNS-SD.")
    announce_on: list[Text] = Field(
        default_factory=list, max_length=ADDRESSES_MAX,
        description="This machine's addresses on the networks to announce it on, 192.0.2.5; "
        "all that `listen` means when missing.",
    )  # fmt: skip
    name: Name | None = Field(
        None, description="Name under which it is found; the rig's and controller's when missing."
    )

    @property
    def place(self) -> tuple[str, int]:
        """Host and port to listen at."""
        found = PLACE.fullmatch(self.listen)
        assert found, "checked while loading"
        return found["host"].strip("[]"), int(found["port"])

    @property
    def loopback(self) -> bool:
        """Whether only this machine can ask."""
        host = self.place[0]
        return host in ("localhost", "::1") or host.startswith("127.")


def contradictions(file: RigFile) -> Iterator[tuple[Path, str, str]]:
    """What `[discovery]` says that cannot be.

    Yields:
        Key path, what stands there, what was expected.
    """
    declared = file.discovery
    if declared is None:
        return
    yield from _described(file, declared.controller)
    found = PLACE.fullmatch(declared.listen)
    if not found or not 0 <= int(found["port"]) <= 65_535:
        yield (
            ("discovery", "listen"),
            shown(declared.listen),
            "host:port in numbers, 127.0.0.1:8781",
        )
        return
    if not declared.loopback and not declared.open_to_network:
        yield (
            ("discovery", "listen"),
            shown(declared.listen),
            "an address of this machine alone, 127.0.0.1:8781, or open_to_network = true",
        )
    if declared.announce:
        yield from _announced(declared)


def _described(file: RigFile, name: str) -> Iterator[tuple[Path, str, str]]:
    """The controller has to be there and to speak OSC."""
    with_osc = {one.id for one in file.controller if one.listen is not None}
    if name in with_osc:
        return
    known = any(one.id == name for one in file.controller)
    found = f"{shown(name)}, a controller on MIDI" if known else shown(name)
    expected = names_of(with_osc) if with_osc else "a controller with 'listen', and there is none"
    yield ("discovery", "controller"), found, expected


def _announced(declared: Discovery) -> Iterator[tuple[Path, str, str]]:
    """Announcements go out on IPv4, and from where it can be asked."""
    host = declared.place[0]
    if ":" in host:
        yield (
            ("discovery", "listen"),
            shown(declared.listen),
            "an IPv4 address to announce, or announce = false",
        )
    for number, text in enumerate(declared.announce_on):
        here: Path = ("discovery", "announce_on", number)
        if not is_ipv4(text):
            yield here, shown(text), "an IPv4 address of this machine, 192.0.2.5"
        elif is_ipv4(host) and host not in ("0.0.0.0", text):
            yield here, shown(text), f"{host}, where it listens"


def is_ipv4(text: str) -> bool:
    """Whether a text is an IPv4 address in numbers."""
    return _IPV4.fullmatch(text) is not None
