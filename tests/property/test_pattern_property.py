"""Address patterns against regular expressions that were made from the same tokens."""

import re

from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.wire.pattern import AddressTree, compile_pattern

CHARACTERS = st.text("ab1", min_size=1, max_size=3)


def strings(words: list[str]) -> tuple[str, str]:
    return "{" + ",".join(words) + "}", "(?:" + "|".join(words) + ")"


# A token as OSC 1.0 writes it, and as a regular expression does.
TOKEN = st.one_of(
    CHARACTERS.map(lambda text: (text, text)),
    st.just(("?", "[^/]")),
    st.just(("*", "[^/]*")),
    CHARACTERS.map(lambda text: (f"[{text}]", f"[{text}]")),
    CHARACTERS.map(lambda text: (f"[!{text}]", f"[^/{text}]")),
    st.just(("[a-b]", "[a-b]")),
    st.lists(CHARACTERS, min_size=1, max_size=3).map(strings),
    st.just(("/", "/")),
)
ADDRESS = st.text("ab1/", max_size=9).map(lambda text: "/" + text)


@settings(max_examples=400)
@given(st.lists(TOKEN, max_size=8), st.lists(ADDRESS, min_size=1, max_size=8))
def test_patterns_match_what_the_same_regular_expressions_match(
    tokens: list[tuple[str, str]], addresses: list[str]
) -> None:
    pattern = compile_pattern("/" + "".join(osc for osc, _ in tokens))
    expression = re.compile("/" + "".join(regular for _, regular in tokens))
    assert pattern.flaw is None
    expected = [address for address in addresses if expression.fullmatch(address)]
    assert [address for address in addresses if pattern.matches(address)] == expected
    assert sorted(AddressTree(addresses).matching(pattern)) == sorted(set(expected))


@given(st.text("/ab1-!,?*[]{}", max_size=12), ADDRESS)
def test_no_pattern_raises_and_a_flawed_one_matches_nothing(text: str, address: str) -> None:
    pattern = compile_pattern(text)
    matches = pattern.matches(address)
    assert AddressTree([address]).matching(pattern) == ([address] if matches else [])
    assert not (matches and pattern.flaw)
