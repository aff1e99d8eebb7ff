"""Which addresses a pattern means, against the rules of OSC 1.0 and what is decided beyond them."""

import sys

import pytest

from bridge.wire.pattern import (
    PATTERN_CHARACTERS_MAX,
    AddressTree,
    compile_pattern,
    is_pattern,
)

# One pattern a line: pattern ; addresses that it must match ; addresses that it must not match.
# ``-`` is none, ``\n`` a newline. Source: OSC 1.0 rules ("OSC Message Dispatching and Pattern
# Matching"), applied by hand; what OSC 1.0 leaves open is decided in ``bridge/wire/pattern.py``.
OSC_1_0_RULES = r"""
/strip/01/level ; /strip/01/level ; -
/strip/01/level ; - ; /strip/01/leve /strip/01/levels /strip/1/level /STRIP/01/level /strip/01
/strip/01/level ; - ; /strip/01/level/ /x/strip/01/level
/a/ ; - ; /a /a/b
/a ; - ; /a/
/a.b+c ; /a.b+c ; /axb+c /a.bbc
/mix ; - ; /mix\n
/strip/?/level ; /strip/1/level /strip/A/level ; /strip/10/level /strip//level
/strip/??/level ; /strip/10/level ; /strip/1/level /strip/100/level
/a?b ; /axb /a-b ; /ab /a/b /axxb
/?ello/w?rl? ; /bello/world /hello/world ; /hello/worlds /hello/universe /ello/world
/* ; /a /abc / ; /a/b /abc/d
/a* ; /a /ab /abc ; /b /a/b /ba
/*/* ; /hello/world /a/ ; /hello /hello/world/two
/x*y ; /xy /x1y /x123y /xyy /xyxy ; /x123 /x1yz /x/y /x1/2y
/*o/*rld ; /bello/world /o/rld ; /hells/worlds /hello/worlds
/h*o/w*rld* ; /hello/world /heyo/worlds /ho/wrld ; /hello/universe /hel/lo/world
/strip/*/level ; /strip/1/level /strip/lead_vox/level ; /strip/1/2/level /strip/level
/a/* ; /a/b /a/ ; /a /a/b/c
/** ; /a /abc ; /a/b
/*aba ; /aba /ababa /xaba ; /abab /ab
/*? ; /a /ab ; /
/o/*bar/f ; /o/bar/f /o/foobar/f /o/foobarbar/f ; /o/foobarx/f /o/foo/bar/f
/x[321]y ; /x1y /x2y /x3y ; /x4y /xy /x12y
/x[1-3]y ; /x1y /x2y /x3y ; /x0y /x4y /x-y
/x[a-zA-Z0-9] ; /xb /xQ /x7 ; /x_ /x- /x
/x[!a-c] ; /xd /x- /xA /x! ; /xa /xb /xc /x /xdd
/x[23-]y ; /x2y /x3y /x-y ; /x4y /x.y
/x[a-z!]y ; /x!y /xmy ; /xMy
/x[a!b] ; /xa /x! /xb ; /xc
/x[^a] ; /x^ /xa ; /xb
/x[.]y ; /x.y ; /xay
/hel[lya-c]o ; /helao /helbo /helco /hello /helyo ; /helzo /hellllo /helo
/[xyz]/*/? ; /y/mix/1 /x//a ; /w/mix/1 /x/mix/12
/a[!/]b ; - ; /a/b
/x[1-3 ; - ; /x1 /x[1-3 /x
/x[]y ; - ; /xy /xay
/x[!]y ; - ; /x!y /xay /xy
/x{1,10,11}y ; /x1y /x10y /x11y ; /x2y /x12y /x110y /xy /x1,10,11y
/x{12}y ; /x12y ; /x1y /x2y
/foo{bar,baz,tron} ; /foobar /foobaz /footron ; /foo /foobarbaz /foobartron /fooba
/{hell,hididelido}o ; /hello /hididelidoo ; /hellllo /hell /o /hello/
/a/{foo,bar} ; /a/foo /a/bar ; /a/bob /a/ /a/foo/bar
/{a,b}/{c,d} ; /a/c /b/d ; /a/b /c/a /ac
/o/*{bar,baz}/f ; /o/foobar/f /o/baz/f /o/barbaz/f ; /o/something/f /o/barx/f
/x{a.b,c+} ; /xa.b /xc+ ; /xaxb /xcc /xc
/x{a ; - ; /xa /x{a
/xa} ; - ; /xa
/{foo,bar}{1,2} ; /foo1 /bar2 ; /foo /foobar /12
/{strip,line}/[0-1][0-9]/feed/*/{level,pan} ; /strip/01/feed/7/level /line/19/feed/lead/pan ; -
/{strip,line}/[0-1][0-9]/feed/*/{level,pan} ; - ; /strip/20/feed/7/level /out/01/feed/7/level
/{strip,line}/[0-1][0-9]/feed/*/{level,pan} ; - ; /strip/01/feed/7/mute /strip/01/feed/7/8/level"""

# Source: the test suites of other open implementations of OSC 1.0 matching, as far as they follow
# the document: rosc (first rows) and T. J. West's osc_match_pattern (the others).
OTHERS = r"""
/oscillator/[0-9]/*/pre[!1234?*]post/{frequency,phase}/x? ; /oscillator/1/a/preXpost/phase/xy ; -
/oscillator/[0-9]/*/pre[!1234?*]post/{frequency,phase}/x? ; - ; /oscillator/1/a/pre1post/phase/xy
/??? ; /123 ; /12 /1234
/foo.? ; /foo.8 ; /foo.42
/* ; /123 ; /123/456
/foo.* ; /foo. ; /foo
/*.bar ; /.bar ; /.baz
/**456 ; /123456 ; /foo.bar
/*/* ; - ; /banana
/[123]23 ; /123 /323 ; /423
/[1-9] ; /5 ; /a
/[1-] ; /- /1 ; /2
/[!123]23 ; /423 ; /123
/[whatever!] ; /! /w ; /x
/{apple,banana,blueberry}/pie ; /banana/pie ; /sugar/pie
/{input,output}/[0-2]/[!ab]/* ; /input/0/c/x ; /input/0/test/x /input/0/a/x
"""

# Parts where several places in the address are possible at once (OSC 1.0 rules, applied by hand).
SEVERAL_WAYS = r"""
/*?* ; /a /ab /abc ; /
/{a,aaa}* ; /a /aa /aaa /aaab ; /b /
/{a,ab}{c,bc} ; /ac /abc /abbc ; /ab /abcc
/{a,aa}?{b,ab} ; /aab /axb /aaab /aaxab ; /ab /axxb
/*[!a]*[!a] ; /bb /bab /abacb ; /a /b /aba
/?????? ; /abcdef ; /abcde /abcdefg
/[!x][!x][!x] ; /abc ; /ab /abcd /abx
/a** ; /a /ab ; /b
"""


def vectors(table: str) -> list[tuple[str, str, bool]]:
    found = []
    for row in table.strip().splitlines():
        pattern, *columns = row.split(" ; ")
        for column, expected in zip(columns, (True, False), strict=True):
            addresses = [] if column == "-" else column.replace(r"\n", "\n").split(" ")
            found += [(pattern, address, expected) for address in addresses]
    return found


ALL = vectors(OSC_1_0_RULES) + vectors(OTHERS) + vectors(SEVERAL_WAYS)


def test_no_vector_got_lost() -> None:
    assert len(vectors(OSC_1_0_RULES)) == 212
    assert len(vectors(OTHERS)) == 34


@pytest.mark.parametrize(("pattern", "address", "expected"), ALL)
def test_a_pattern_matches_what_the_rules_say(pattern: str, address: str, expected: bool) -> None:
    assert compile_pattern(pattern).matches(address) is expected


@pytest.mark.parametrize(("pattern", "address", "expected"), ALL)
def test_a_tree_of_addresses_answers_as_the_pattern_does(
    pattern: str, address: str, expected: bool
) -> None:
    found = AddressTree(["/ferry", address, "/a/b"]).matching(compile_pattern(pattern))
    assert (address in found) is expected


# What OSC 1.0 leaves open: each is a flaw with a reason, and matches nothing.
FLAWS = {
    "/x[3-1]y": "range 3-1 runs backwards",
    "/x[z-a]": "range z-a runs backwards",
    "/x[]y": "empty set in brackets",
    "/x[!]y": "empty set in brackets",
    "/x[1-3": "'[' has no ']' in the same part",
    "/a[!/]b": "'[' has no ']' in the same part",
    "/x{a": "'{' has no '}' in the same part",
    "/x{a/b}": "'{' has no '}' in the same part",
    "/xa}": "'}' closes nothing",
    "/xa]": "']' closes nothing",
    "/x{}": "empty braces",
    "/x{a*,b}": "wildcard or bracket inside braces",
    "/x{a?}": "wildcard or bracket inside braces",
    "/x{[ab]}": "wildcard or bracket inside braces",
    "/x{a,{b}}": "wildcard or bracket inside braces",
    "strip/*": "does not start with '/'",
    "": "does not start with '/'",
    "/größe/*": "is not ASCII",
    "/" + "a" * PATTERN_CHARACTERS_MAX: f"longer than {PATTERN_CHARACTERS_MAX} characters",
}


@pytest.mark.parametrize(("pattern", "flaw"), FLAWS.items())
def test_a_flawed_pattern_says_why_and_matches_nothing(pattern: str, flaw: str) -> None:
    compiled = compile_pattern(pattern)
    assert compiled.flaw == flaw
    tree = AddressTree(["/x1y", "/xa", "/x", "/strip/1", pattern])
    assert not compiled.matches(pattern)
    assert tree.matching(compiled) == []


def test_the_double_slash_of_osc_1_1_reaches_no_other_depth() -> None:
    # NIME 2009, section 3.4, has //spherical match /position/spherical: that is 1.1, not 1.0.
    assert not compile_pattern("//spherical").matches("/position/spherical")
    assert not compile_pattern("//foo").matches("/foo")
    assert not compile_pattern("//foo").matches("/123/456/foo")
    assert compile_pattern("//foo").matches("//foo")


def test_only_reserved_characters_make_a_pattern() -> None:
    for text in ("/a*", "/a?", "/[ab]", "/{a,b}", "/a]", "/a}"):
        assert is_pattern(text)
    for text in ("/a", "/a,b", "/a!b", "/a-b", "/^a.$", "/a b", ""):
        assert not is_pattern(text)


def test_a_pattern_that_came_before_is_not_compiled_again() -> None:
    assert compile_pattern("/strip/*/level") is compile_pattern("/strip/*/level")
    assert compile_pattern.cache_info().maxsize is not None


def steps_of(pattern: str, address: str) -> int:
    """How often Python moves on while matching: a measure that no busy machine disturbs."""
    steps = 0

    def trace(frame: object, event: str, arg: object) -> object:
        nonlocal steps
        steps += 1
        return trace

    compiled = compile_pattern(pattern)
    before = sys.gettrace()
    sys.settrace(trace)  # type: ignore[arg-type]
    try:
        assert not compiled.matches(address)
    finally:
        sys.settrace(before)
    return steps


@pytest.mark.parametrize(
    ("pattern", "address"),
    [
        ("/" + "*" * 64 + "x", "/" + "y" * 60),
        ("/" + "*a" * 20 + "*b", "/" + "a" * 40),
        ("/" + "?*" * 100, "/" + "a" * 60),
        ("/" + "*{a,aa,aaa}" * 22 + "*b", "/" + "a" * 60),
        ("/" + "*[!b]" * 50 + "b", "/" + "a" * 60),
    ],
)
def test_no_pattern_costs_more_than_its_length_times_that_of_the_address(
    pattern: str, address: str
) -> None:
    assert steps_of(pattern, address) < 2 * len(pattern) * len(address)


def test_a_tree_keeps_the_order_of_addresses_and_names_each_once() -> None:
    addresses = [f"/out/{bus}/in/{channel}/level" for bus in (2, 1) for channel in (7, 3, 12)]
    tree = AddressTree([*addresses, addresses[0], "/out/1/level", "/out/1"])
    assert tree.matching(compile_pattern("/out/*/in/?/level")) == [
        "/out/2/in/7/level",
        "/out/2/in/3/level",
        "/out/1/in/7/level",
        "/out/1/in/3/level",
    ]
    assert tree.matching(compile_pattern("/out/1")) == ["/out/1"]
    assert tree.matching(compile_pattern("/out")) == []
    assert tree.matching(compile_pattern("/o*")) == []
    assert tree.matching(compile_pattern("/out/1/*")) == ["/out/1/level"]
    assert tree.matching(compile_pattern("/out/*/level")) == ["/out/1/level"]
    assert tree.matching(compile_pattern("/*/*/*/*/*/*")) == []


# The bundle of the document's examples: three patterns over six methods (OSC 1.0 examples,
# 2002-03-29); the legal orders of invocation are 1 x 2 x 6 = 12, so each pattern finds 1, 2, 3.
def test_the_example_bundle_of_the_document_finds_one_two_and_three_methods() -> None:
    methods = ["/first/this/one", "/second/1", "/second/2", "/third/a", "/third/b", "/third/c"]
    tree = AddressTree(methods)
    counts = [
        len(tree.matching(compile_pattern(pattern)))
        for pattern in ("/first/this/one", "/second/[1-2]", "/third/*")
    ]
    assert counts == [1, 2, 3]
