"""What a rig says of its web pages: where they are served, and who may come in. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from bridge import limits as bounds
from bridge.rig.faults import shown
from bridge.rig.fields import Table
from bridge.rig.toml import Path

if TYPE_CHECKING:
    from bridge.rig.model import RigFile

NAMES_MAX = 16
"""Most names of this machine that a browser may call it by."""

TOKEN_HOURS_MAX = 24.0 * 31
"""Longest life of a token, h: a month covers a tour's leg; then everybody joins again."""

PLACE = re.compile(r"(?P<host>localhost|\d{1,3}(\.\d{1,3}){3}|\[[0-9a-fA-F:]+\]):(?P<port>\d{1,5})")
"""``host:port``, by number, so that nothing has to be looked up when the bridge starts."""

NAME = re.compile(r"[A-Za-z0-9]([A-Za-z0-9.-]{0,251}[A-Za-z0-9])?")
"""A host's name (RFC 1123, section 2.1)."""

ADDRESS = re.compile(rf"https?://({NAME.pattern}|\[[0-9a-fA-F:]+\])(:\d{{1,5}})?")
"""What is typed into a phone: no path behind it."""

SECRET = re.compile(
    r"scrypt:(?P<n>16384|32768|65536):(?P<r>8):(?P<p>[1-4])"
    r":(?P<salt>[0-9a-f]{32}):(?P<key>[0-9a-f]{64})"
)
"""A passphrase after scrypt (RFC 7914): cost, block size, parallel runs, salt, key. At least 16 MB
and some 50 ms a try, at most 64 MB."""

Text = Annotated[str, Field(min_length=1, max_length=bounds.ADDRESS_CHARACTERS_MAX)]


class Pages(Table):
    """`[pages]`: web pages for performers and the engineer, served by the bridge itself."""

    listen: Text = Field("127.0.0.1:8780", description="Where browsers find them, host:port.")
    open_to_network: bool = Field(
        False, description="Allows `listen` beyond this machine; needs `engineer`."
    )
    address: Text | None = Field(
        None, description="What QR codes say, http://192.0.2.5:8780; the engineer's when missing."
    )
    names: list[Text] = Field(
        default_factory=list, max_length=NAMES_MAX,
        description="Names that browsers may call this machine by, beside its numbers."
    )  # fmt: skip
    certificate: Text | None = Field(
        None, description="TLS certificate chain, PEM, relative to this file."
    )
    key: Text | None = Field(None, description="TLS private key, PEM, relative to this file.")
    engineer: Text | None = Field(
        None, description="The engineer's passphrase as `foldbridge passphrase` prints it."
    )
    token_hours: float = Field(
        16.0, ge=1, le=TOKEN_HOURS_MAX, allow_inf_nan=False,
        description="How long a phone that has joined stays in, h."
    )  # fmt: skip
    code_minutes: float = Field(
        15.0, ge=1, le=1440, allow_inf_nan=False,
        description="How long a code to join waits to be used, min."
    )  # fmt: skip

    @property
    def place(self) -> tuple[str, int]:
        """Host and port to listen at."""
        found = PLACE.fullmatch(self.listen)
        assert found, "checked while loading"
        return found["host"].strip("[]"), int(found["port"])

    @property
    def loopback(self) -> bool:
        """Whether only this machine reaches them."""
        host = self.place[0]
        return host in ("localhost", "::1") or host.startswith("127.")


def contradictions(file: RigFile) -> Iterator[tuple[Path, str, str]]:
    """What `[pages]` says that cannot be.

    Yields:
        Key path, what stands there, what was expected.
    """
    pages = file.pages
    if pages is None:
        return
    found = PLACE.fullmatch(pages.listen)
    if not found or not 0 <= int(found["port"]) <= 65_535:
        yield ("pages", "listen"), shown(pages.listen), "host:port in numbers, 127.0.0.1:8780"
    elif not pages.loopback:
        yield from _beyond(file)
    if pages.address is not None and not ADDRESS.fullmatch(pages.address):
        yield ("pages", "address"), shown(pages.address), "http://host:port or https://host:port"
    for i, name in enumerate(pages.names):
        if not NAME.fullmatch(name):
            yield ("pages", "names", i), shown(name), "a host's name, bridge.example"
    if (pages.certificate is None) != (pages.key is None):
        yield ("pages",), "one of 'certificate' and 'key'", "both or neither"
    if pages.engineer is not None and not SECRET.fullmatch(pages.engineer):
        yield (
            ("pages", "engineer"),
            "something else",  # not shown: it may be the passphrase itself
            "the line that `foldbridge passphrase` prints, scrypt:...",
        )


def _beyond(file: RigFile) -> Iterator[tuple[Path, str, str]]:
    """Pages that the network reaches need a word of consent and a passphrase."""
    pages = file.pages
    assert pages is not None, "asked for rigs with pages only"
    if not pages.open_to_network:
        yield (
            ("pages", "listen"),
            shown(pages.listen),
            "an address of this machine alone, 127.0.0.1:8780, or open_to_network = true",
        )
    if pages.engineer is None:
        yield (
            ("pages", "engineer"),
            "nothing",
            "the line that `foldbridge passphrase` prints, since the network reaches these pages",
        )
