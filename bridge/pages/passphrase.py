"""The engineer's passphrase, kept as a slow hash. I/O."""

from __future__ import annotations

import getpass
import hashlib
import hmac
import secrets
import sys

from bridge.errors import BridgeError
from bridge.rig.pages import SECRET

COST, BLOCK, RUNS = 32_768, 8, 1
"""scrypt's N, r, p (RFC 7914): 32 MB and about a tenth of a second a try."""

CHARACTERS_MIN, CHARACTERS_MAX = 10, 200
"""Length of a passphrase; a shorter one is guessed, a longer one is a slip of the pen."""


def hashed(passphrase: str, salt: bytes) -> str:
    """A passphrase as a rig keeps it: ``scrypt:32768:8:1:salt:key``.

    Args:
        passphrase: What the engineer types.
        salt: 16 bytes of chance.
    """
    key = _key(passphrase, salt, (COST, BLOCK, RUNS))
    return f"scrypt:{COST}:{BLOCK}:{RUNS}:{salt.hex()}:{key.hex()}"


def matches(passphrase: str, kept: str) -> bool:
    """Whether a passphrase is the one that was kept; takes a while, so not in the loop."""
    found = SECRET.fullmatch(kept)
    if not found or len(passphrase) > CHARACTERS_MAX:
        return False
    cost = int(found["n"]), int(found["r"]), int(found["p"])
    key = _key(passphrase, bytes.fromhex(found["salt"]), cost)
    return hmac.compare_digest(key, bytes.fromhex(found["key"]))


def _key(passphrase: str, salt: bytes, cost: tuple[int, int, int]) -> bytes:
    n, r, p = cost
    data = passphrase.encode("utf-8", "surrogatepass")
    most = 132 * n * r * p + 1_000_000  # OpenSSL refuses what takes more than it was allowed
    return hashlib.scrypt(data, salt=salt, n=n, r=r, p=p, maxmem=most, dklen=32)


def ask() -> str:
    """Ask for a passphrase twice, or read one line where nobody sits at a terminal.

    Returns:
        The line for ``[pages] engineer``.

    Raises:
        BridgeError: it is too short or too long, or the two differ.
    """
    if not sys.stdin.isatty():
        first = again = sys.stdin.readline().rstrip("\r\n")
    else:
        first = getpass.getpass("passphrase: ")
        again = getpass.getpass("once more: ")
    if first != again:
        raise BridgeError("passphrase: found two that differ, expected the same one twice")
    if not CHARACTERS_MIN <= len(first) <= CHARACTERS_MAX:
        raise BridgeError(
            f"passphrase: found {len(first)} characters, expected {CHARACTERS_MIN} to "
            f"{CHARACTERS_MAX}"
        )
    return hashed(first, secrets.token_bytes(16))
