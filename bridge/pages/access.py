"""Who may come in: tokens bound to a person, codes that are worth one token, tries counted. I/O.

A token is 32 bytes of chance; the bridge keeps its SHA-256 only, so a stolen file opens no door.
(A slow hash is for what people think of; 256 bits of chance cannot be guessed.) A code is short
enough to type with gloves, works once and for minutes only, and tries at it are counted.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import secrets
from collections import OrderedDict
from dataclasses import dataclass

TOKENS_MAX = 256
"""Tokens at once: two devices for each of the most performers."""

TOKENS_EACH = 8
"""Tokens of one person: phone, tablet, and some that were lost; the oldest goes first."""

CODES_MAX = 128
"""Codes that wait at once: one for each of the most performers."""

CODE_LETTERS = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"
"""Nothing that is taken for something else in the dark: no I, L, O, 0, 1."""

CODE_LENGTH = 6
"""Letters of a code: one of 887 million, of which an address may try ten a minute."""

TRIES_AT_ONCE, TRY_EVERY_S = 8, 6.0
"""Tries of one address: so many in a row, then one each 6 s."""

NETWORK_BITS = 64
"""Bits of an IPv6 address that are its network (RFC 4291, section 2.5.4). Whoever has one has all
2^64 of its addresses, so they share their tries."""

ADDRESSES_KEPT = 512
"""Addresses whose tries are remembered; beyond it the one that was quiet for longest goes."""


@dataclass(frozen=True, slots=True)
class Pass:
    """A token that was given out.

    Attributes:
        serial: Its number, counted from 1: what people see of it.
        who: Performer's id, ``engineer`` for the engineer.
        digest: SHA-256 of the token, hexadecimal.
        since_unix_s: When it was given, s since 1970.
        until_unix_s: When it ends.
    """

    serial: int
    who: str
    digest: str
    since_unix_s: float
    until_unix_s: float


def digest_of(token: str) -> str:
    """What is kept of a token."""
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()


def plain(code: str) -> str:
    """A code as it was meant: people type spaces, hyphens and small letters."""
    return "".join(letter for letter in code.upper() if letter.isalnum())[: 2 * CODE_LENGTH]


class Passes:
    """All tokens in force.

    Args:
        passes: Those of before, oldest first.
        hours: How long a new one stays, h.

    Attributes:
        all: By serial, oldest first.
    """

    def __init__(self, passes: tuple[Pass, ...], hours: float) -> None:
        self.all = {one.serial: one for one in passes}
        self._hours = hours
        self._serial = max(self.all, default=0)

    def give(self, who: str, now_unix_s: float) -> tuple[str, Pass]:
        """Make a token for somebody; the oldest goes where there are too many."""
        self.tidy(now_unix_s)
        token = secrets.token_urlsafe(32)
        self._serial += 1
        until = now_unix_s + 3600.0 * self._hours
        given = Pass(self._serial, who, digest_of(token), now_unix_s, until)
        own = [one.serial for one in self.all.values() if one.who == who]
        for serial in own[: max(0, len(own) + 1 - TOKENS_EACH)]:
            del self.all[serial]
        while len(self.all) >= TOKENS_MAX:
            del self.all[next(iter(self.all))]
        self.all[given.serial] = given
        return token, given

    def of(self, token: str, now_unix_s: float) -> Pass | None:
        """The pass of a token; every one is looked at, so that time tells nothing."""
        digest, found = digest_of(token), None
        for one in self.all.values():
            if hmac.compare_digest(one.digest, digest):
                found = one
        return found if found is not None and now_unix_s < found.until_unix_s else None

    def holds(self, serial: int, now_unix_s: float) -> bool:
        """Whether a pass is still in force."""
        one = self.all.get(serial)
        return one is not None and now_unix_s < one.until_unix_s

    def revoke(self, serial: int) -> bool:
        """Take a token out of force; False when it is not there."""
        return self.all.pop(serial, None) is not None

    def tidy(self, now_unix_s: float) -> None:
        """Forget what has expired."""
        self.all = {n: one for n, one in self.all.items() if now_unix_s < one.until_unix_s}


class Codes:
    """Codes that wait to be used, each worth one token.

    Args:
        minutes: How long one waits, min.
    """

    def __init__(self, minutes: float) -> None:
        self._s = 60.0 * minutes
        self._waiting: OrderedDict[str, tuple[str, float]] = OrderedDict()

    def make(self, who: str, now_s: float) -> str:
        """A code for somebody; a new one replaces theirs that was not used."""
        for code in [code for code, (owner, _) in self._waiting.items() if owner == who]:
            del self._waiting[code]
        while len(self._waiting) >= CODES_MAX:
            self._waiting.popitem(last=False)
        code = "".join(secrets.choice(CODE_LETTERS) for _ in range(CODE_LENGTH))
        self._waiting[code] = who, now_s + self._s
        return code

    def use(self, code: str, now_s: float) -> str | None:
        """Whom a code is for; it is used up. None when there is none, or it came too late."""
        wanted, found = plain(code).encode(), None
        for waiting in self._waiting:
            if hmac.compare_digest(waiting.encode(), wanted):
                found = waiting
        if found is None:
            return None
        who, until_s = self._waiting.pop(found)
        return who if now_s < until_s else None


def who_tries(address: str) -> str:
    """Whose tries an address counts among: its own, or those of its whole network on IPv6."""
    try:
        found = ipaddress.ip_address(address.split("%", 1)[0])
    except ValueError:
        return address
    if isinstance(found, ipaddress.IPv4Address):
        return str(found)
    if found.ipv4_mapped is not None:
        return str(found.ipv4_mapped)
    return str(ipaddress.ip_network((int(found), NETWORK_BITS), strict=False))


class Tries:
    """How often each address may try a code or a passphrase."""

    def __init__(self) -> None:
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def may(self, address: str, now_s: float) -> bool:
        """Whether an address may try now; it counts as a try."""
        address = who_tries(address)
        left, at_s = self._left.pop(address, (float(TRIES_AT_ONCE), now_s))
        left = min(float(TRIES_AT_ONCE), left + (now_s - at_s) / TRY_EVERY_S)
        allowed = left >= 1.0
        self._left[address] = (left - 1.0 if allowed else left), now_s
        while len(self._left) > ADDRESSES_KEPT:
            self._left.popitem(last=False)
        return allowed
