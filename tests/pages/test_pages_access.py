"""Tokens, codes, tries, the passphrase and the file of tokens."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from bridge.errors import FileError
from bridge.pages import kept
from bridge.pages.access import (
    ADDRESSES_KEPT,
    CODE_LENGTH,
    CODE_LETTERS,
    TOKENS_EACH,
    TOKENS_MAX,
    TRIES_AT_ONCE,
    TRY_EVERY_S,
    Codes,
    Passes,
    Tries,
    plain,
)
from bridge.pages.passphrase import hashed, matches
from bridge.rig.pages import SECRET

DAY_S = 86_400.0


def test_a_token_opens_for_its_own_person_until_it_ends() -> None:
    passes = Passes((), hours=2.0)
    token, given = passes.give("ines", 1000.0)
    found = passes.of(token, 1000.0 + 7199.0)
    assert found == given and given.who == "ines"
    assert passes.of(token, 1000.0 + 7200.0) is None
    assert passes.of(token[:-1], 1000.0) is None and passes.of("", 1000.0) is None


def test_what_is_kept_of_a_token_is_not_the_token() -> None:
    passes = Passes((), hours=2.0)
    token, given = passes.give("ines", 0.0)
    assert token not in repr(given)
    assert passes.of(given.digest, 1.0) is None


def test_a_revoked_token_opens_nothing() -> None:
    passes = Passes((), hours=2.0)
    token, given = passes.give("ines", 0.0)
    assert passes.revoke(given.serial)
    assert passes.of(token, 1.0) is None and not passes.holds(given.serial, 1.0)
    assert not passes.revoke(given.serial)


def test_the_oldest_token_of_a_person_goes_when_there_are_too_many_and_no_other_persons() -> None:
    passes = Passes((), hours=2.0)
    other, _ = passes.give("maud", 0.0)
    tokens = [passes.give("ines", 0.0)[0] for _ in range(TOKENS_EACH + 1)]
    assert passes.of(tokens[0], 1.0) is None
    assert all(passes.of(token, 1.0) for token in [*tokens[1:], other])


def test_there_are_never_more_tokens_than_the_bound() -> None:
    passes = Passes((), hours=2.0)
    for number in range(TOKENS_MAX + 20):
        passes.give(f"p{number}", 0.0)
    assert len(passes.all) == TOKENS_MAX


def test_serials_go_on_after_a_restart() -> None:
    passes = Passes((), hours=2.0)
    passes.give("ines", 0.0)
    again = Passes(tuple(passes.all.values()), hours=2.0)
    assert again.give("ines", 1.0)[1].serial == 2


def test_a_code_works_once_and_only_in_time() -> None:
    codes = Codes(minutes=10)
    code = codes.make("ines", 0.0)
    assert codes.use(code, 599.0) == "ines"
    assert codes.use(code, 599.0) is None
    late = codes.make("ines", 0.0)
    assert codes.use(late, 600.0) is None


def test_a_code_may_be_typed_as_people_type() -> None:
    codes = Codes(minutes=10)
    code = codes.make("ines", 0.0)
    assert codes.use(f" {code[:3].lower()}-{code[3:].lower()} ", 1.0) == "ines"


def test_a_new_code_replaces_the_one_that_was_not_used() -> None:
    codes = Codes(minutes=10)
    first = codes.make("ines", 0.0)
    other = codes.make("maud", 0.0)
    second = codes.make("ines", 1.0)
    assert codes.use(first, 2.0) is None
    assert (codes.use(second, 2.0), codes.use(other, 2.0)) == ("ines", "maud")


def test_a_code_has_no_letters_that_look_alike() -> None:
    assert not set("ILO01") & set(CODE_LETTERS)
    code = Codes(minutes=1).make("ines", 0.0)
    assert len(code) == CODE_LENGTH and set(code) <= set(CODE_LETTERS)
    assert plain(code) == code


def test_an_address_may_try_some_times_and_then_slowly() -> None:
    tries = Tries()
    assert [tries.may("192.0.2.9", 0.0) for _ in range(TRIES_AT_ONCE + 2)] == [
        *[True] * TRIES_AT_ONCE, False, False
    ]  # fmt: skip
    assert not tries.may("192.0.2.9", TRY_EVERY_S * 0.9)
    assert tries.may("192.0.2.9", TRY_EVERY_S * 1.1)
    assert tries.may("192.0.2.10", 0.0)


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("2001:db8::1", "2001:db8::ffff:1", True), ("2001:db8::1", "2001:db8:0:1::1", False),
        ("fe80::1%eth0", "fe80::2%eth0", True), ("::ffff:192.0.2.9", "192.0.2.9", True),
        ("192.0.2.9", "192.0.2.10", False), ("", "", True), ("", "192.0.2.9", False),
    ],
)  # fmt: skip
def test_addresses_of_one_ipv6_network_share_their_tries(one: str, other: str, same: bool) -> None:
    tries = Tries()
    for _ in range(TRIES_AT_ONCE):
        assert tries.may(one, 0.0)
    assert tries.may(other, 0.0) is not same


def test_tries_of_many_addresses_are_bounded() -> None:
    tries = Tries()
    for number in range(ADDRESSES_KEPT + 50):
        tries.may(f"192.0.2.{number}", float(number))
    assert len(tries._left) == ADDRESSES_KEPT


# RFC 7914, section 12: scrypt (P="pleaseletmein", S="SodiumChloride", N=16384, r=8, p=1).
RFC_KEY = (
    "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"
    "d5432955613f0fcf62d49705242a9af9e61e85dc0d651e40dfcf017b45575887"
)


def test_the_hash_is_scrypt_as_the_rfc_has_it() -> None:
    found = hashlib.scrypt(
        b"pleaseletmein", salt=b"SodiumChloride", n=16384, r=8, p=1, dklen=64, maxmem=2**26
    )
    assert found.hex() == RFC_KEY


def test_a_passphrase_matches_its_own_hash_only() -> None:
    line = hashed("low tide at nine", b"0123456789abcdef")
    assert SECRET.fullmatch(line)
    assert "tide" not in line
    assert matches("low tide at nine", line)
    assert not matches("low tide at ten", line)
    assert not matches("low tide at nine", line[:-1]) and not matches("", line)


def test_tokens_stay_over_a_restart_and_nothing_but_digests_is_kept(tmp_path: Path) -> None:
    path = kept.path_of(str(tmp_path / "ferry.toml"))
    passes = Passes((), hours=2.0)
    token, _ = passes.give("ines", 1000.0)
    passes.give("gone", 1000.0)
    kept.write(path, tuple(passes.all.values()))
    assert token not in path.read_text()
    assert path.stat().st_mode & 0o077 == 0
    again = Passes(kept.read(path, frozenset({"ines"})), hours=2.0)
    found = again.of(token, 1001.0)
    assert found is not None and found.who == "ines"
    assert [one.who for one in again.all.values()] == ["ines"]


DAMAGED = (
    b"", b"{", b"[]", b'{"tokens": 1}', b'{"tokens": [[1, "ines", "ab", 0, 1]]}', b"\xff\xfe",
    b'{"tokens": [[1, "ines", "' + b"a" * 64 + b'", 0, NaN]]}',
    b'{"tokens": [[true, "ines", "' + b"a" * 64 + b'", 0, 1]]}',
    b'{"tokens": ' + b"[" * 3000, b" " * (kept.BYTES_MAX + 1),
    json.dumps({"tokens": [[1, "ines", "a" * 64, 0, 1]] * 2}).encode(),
)  # fmt: skip


@pytest.mark.parametrize("data", DAMAGED, ids=range(len(DAMAGED)))
def test_a_damaged_file_of_tokens_lets_nobody_in(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "ferry.tokens.json"
    path.write_bytes(data)
    with pytest.raises(FileError) as caught:
        kept.read(path, frozenset({"ines"}))
    (fault,) = caught.value.faults
    assert fault.where == str(path) and fault.expected == "tokens as the bridge wrote them"


def test_no_file_of_tokens_is_no_fault(tmp_path: Path) -> None:
    assert kept.read(tmp_path / "none.json", frozenset()) == ()
