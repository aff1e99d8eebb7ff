"""Messages of a page, Host headers, and what `[pages]` may say."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.paged import SECRET, paged_rig

from bridge.errors import RigError
from bridge.pages.messages import VALUE_MAX, WORDS, Said, read
from bridge.pages.shield import Shield, host_of, policy

GOOD = (
    ('["set", 12, -6.5]', Said("set", 12, -6.5)),
    ('["set", 12, null]', Said("set", 12, -math.inf)),
    ('["step", 0, 1]', Said("step", 0, 1.0)),
    ('["flip", 3]', Said("flip", 3)),
    ('["grip", 3]', Said("grip", 3)),
    ('["grip", null]', Said("grip", -1)),
    ('["undo"]', Said("undo")),
    ('["start", 0]', Said("start", 0)),
    ('["answer", 1, 0]', Said("answer", 1, 0.0)),
    ('["limit", 9, null, null]', Said("limit", 9, math.inf)),
    ('["limit", 9, -12, 2]', Said("limit", 9, -12.0, 2)),
    ('["presets"]', Said("presets")),
    ('["recall", "reel"]', Said("recall", text="reel")),
    ('["store", 1, "Second set"]', Said("store", 1, text="Second set")),
    ('["compare", "reel"]', Said("compare", text="reel")),
    ('["copy", 0, 2]', Said("copy", 0, 2.0)),
    ('["sound", "ring 2500"]', Said("sound", text="ring 2500")),
    ('["here"]', Said("here")),
    ('["learn", "begin", 1, null]', Said("learn", 1, math.inf, text="begin")),
    ('["learn", "pick", 0, -6]', Said("learn", 0, -6.0, text="pick")),
    ('["code", 2]', Said("code", 2)),
    ('["revoke", 2]', Said("revoke", 2)),
)


@pytest.mark.parametrize(("text", "meant"), GOOD, ids=[text for text, _ in GOOD])
def test_a_message_means_what_the_table_says(text: str, meant: Said) -> None:
    assert read(text) == meant


BAD = (
    "", "null", "{}", "[]", "[1]", '["fly"]', '["set"]', '["set", 1]', '["set", 1, 2, 3]',
    '["set", "1", 2]', '["set", 1.0, 2]', '["set", true, 2]', '["set", -1, 2]',
    '["set", 1, true]', '["set", 1, "2"]', '["set", 1, NaN]', '["set", 1, Infinity]',
    '["set", 1, 1e999]', '["set", 1, -201]', '["set", 99999999999, 0]', '["set", 1, [2]]',
    '["step", 1, null]', '["undo", 1]', '["set", 1, ' + "9" * 200 + "]",
    '["recall", 1]', '["recall", ""]', '["recall", " "]', '["store", 0, "a\\nb"]',
    '["store", 0, "\\ud800"]', '["store", 0, "' + "x" * 61 + '"]', '["limit", 1, 2, -1]',
    '["limit", 1, null]', '["copy", 0, -1]', '["sound", null]',
    "[" * 250, '["set", 1, 2]' + " " * 300, '["\\ud800"]', "\x00", '["set", 1, 2',
)  # fmt: skip


@pytest.mark.parametrize("text", BAD, ids=range(len(BAD)))
def test_a_message_that_cannot_be_is_refused_in_words(text: str) -> None:
    said = read(text)
    assert isinstance(said, str) and said.startswith("found ") and ", expected " in said


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=9),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=3), inner),
    max_leaves=12,
)


@given(st.text() | JSON.map(json.dumps) | st.tuples(st.sampled_from([*WORDS]), JSON, JSON).map(
    lambda parts: json.dumps(list(parts))))  # fmt: skip
def test_nothing_that_a_page_says_raises_or_passes_a_bound(text: str) -> None:
    said = read(text)
    if isinstance(said, Said):
        assert said.word in WORDS and -1 <= said.number < 2**31
        assert abs(said.value) <= VALUE_MAX or said.value in (-math.inf, math.inf)


@pytest.mark.parametrize(
    ("header", "host"),
    [
        ("192.0.2.5:8780", "192.0.2.5"), ("bridge.example", "bridge.example"),
        ("[::1]:8780", "::1"), ("[::1]", "::1"), ("", None), (":80", None), ("a:b", None),
        ("[::1", None), ("[::1]x", None), ("a:1:2", None), ("a:", None), ("a:1234567", None),
    ],
)  # fmt: skip
def test_a_host_header_is_taken_apart(header: str, host: str | None) -> None:
    assert host_of(header) == host


def test_numbers_and_declared_names_are_known_and_no_others() -> None:
    shield = Shield(frozenset({"Bridge.example"}), secure=False)
    for known in ("127.0.0.1:80", "192.0.2.5", "[::1]:1", "localhost:9", "bridge.EXAMPLE:1"):
        assert shield.knows(known), known
    for foreign in ("evil.example", "127.0.0.1.evil.example", "bridge.example.evil:1", "", "1.2"):
        assert not shield.knows(foreign), foreign


def test_the_policy_allows_no_script_within_a_page_and_nothing_from_outside() -> None:
    said = policy("192.0.2.5:8780", secure=True)
    assert "default-src 'none'" in said and "script-src 'self'" in said
    assert "unsafe" not in said and "*" not in said and "data:" not in said
    assert "connect-src 'self' wss://192.0.2.5:8780" in said


WRONG = (
    ('listen = "8780"', "pages.listen", "host:port in numbers, 127.0.0.1:8780"),
    ('listen = "127.0.0.1:70000"', "pages.listen", "host:port in numbers, 127.0.0.1:8780"),
    ('listen = "0.0.0.0:8780"', "pages.listen", "open_to_network = true"),
    ('listen = "0.0.0.0:8780"\nopen_to_network = true', "pages.engineer", "foldbridge passphrase"),
    ('address = "bridge.example"', "pages.address", "http://host:port"),
    ('names = ["a b"]', "pages.names.0", "a host's name"),
    ('certificate = "a.pem"', "pages", "both or neither"),
    ('engineer = "open sesame"', "pages.engineer", "foldbridge passphrase"),
    ("token_hours = 0", "pages.token_hours", ""),
    ("code_minutes = 2000", "pages.code_minutes", ""),
    ('engineer = "scrypt:1024:8:1:00:00"', "pages.engineer", "foldbridge passphrase"),
)


@pytest.mark.parametrize(("said", "key", "expected"), WRONG, ids=[said for said, *_ in WRONG])
def test_pages_that_cannot_be_are_refused_with_their_line(
    tmp_path: Path, said: str, key: str, expected: str
) -> None:
    with pytest.raises(RigError) as caught:
        paged_rig(tmp_path, pages=f"\n[pages]\n{said}\n")
    found = [str(fault) for fault in caught.value.faults]
    assert any(f" {key}:" in text and expected in text for text in found), found


def test_a_passphrase_in_the_wrong_place_is_not_shown(tmp_path: Path) -> None:
    with pytest.raises(RigError) as caught:
        paged_rig(tmp_path, pages='\n[pages]\nengineer = "open sesame"\n')
    assert "sesame" not in str(caught.value)


def test_pages_open_to_the_network_with_a_passphrase_are_fine(tmp_path: Path) -> None:
    said = f'\n[pages]\nlisten = "[::]:8780"\nopen_to_network = true\nengineer = "{SECRET}"\n'
    pages = paged_rig(tmp_path, pages=said).file.pages
    assert pages is not None and pages.place == ("::", 8780) and not pages.loopback
