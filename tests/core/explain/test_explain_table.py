"""The table of failures against the sources: every text has its entry, every entry its text. I/O.

A red test here names the text and the place that says it. Repair: add the text (``*`` for what is
only known while running) to ``says`` of an entry in ``bridge/explain/table.toml``, or write an
entry; a text that only passes on what is covered where it was made goes into ``PASSED_ON`` below,
one about no failure into ``PLAIN``.
"""

from __future__ import annotations

import ast
import re
from fnmatch import fnmatchcase
from pathlib import Path

import pytest
from support.said import CALLS, Saying, sayings

from bridge.explain.hints import the_table
from bridge.explain.table import CODE, Failure, Table, parse_table, weight_of

PACKAGE = Path(__file__).resolve().parents[3] / "bridge"

PASSED_ON = {
    "checking.addresses._fault": "a link's error, told as a fault",
    "checking.staging.remarks": "what stage.joins says",
    "cli._witness": "a recording's error",
    "cli._told": "any error",
    "cli.main": "any error",
    "daemon.Daemon._open": "a link's error",
    "guard.command.status": "a link's error",
    "links.address._error": "a form; its texts are counted where it is called",
    "links.base.Link._trouble": "a form; its texts are counted where it is called",
    "links.senders._error": "a form; its texts are counted where it is called",
    "maps.flaw.Flaw.fault": "a flaw, told as a fault",
    "oscquery.announce.Announcer._tell": "a form; its texts are counted where it is called",
    "plan.run": "what checks and joins say",
    "presets.running.Running._choose": "rules",
    "presets.running.Running._cued": "a file's error",
    "presets.running.Running._read": "a file's error",
    "presets.running.Running._unless_in_room": "what the room says",
    "rig.rig.parse_rig": "the contradictions that it collects",
    "roads.Roads._sort": "what the door says",
    "services.presets_of": "reports of recalls",
    "telling.Telling.verdict": "rules",
    "telling.Telling._tell_notices": "what listening notices",
}
"""Functions that pass on what was said elsewhere, and whose it is."""

PLAIN = {
    "console live": "all is well",
    "console ……": "the states, which stand in a table",
    "discovery: … at http://…:…": "where it is",
    "discovery: announced as *": "all is well",
    "engineer's page: *": "where to come in",
    "health: http://…:…/health": "where it is",
    "learned: …": "where the new entry stands",
    "pages: …": "where to come in",
    "ready: …": "all is well",
    "stopped; *": "as it was told to",
}
"""Texts about no failure."""

PLAIN_SITES = {
    "links.base.Link._become": "a link's new state",
    "links.midi.MidiLink._advise": "which of several ports was taken",
}


FORM = re.compile(r"found|expected|refused|warning|discovery|\(from now on only counted\)")
"""Words of the forms in which texts are told."""


def is_failure(saying: Saying) -> bool:
    plain = any(fnmatchcase(saying.text, text) for text in PLAIN)
    told = re.search(r"[a-z]", FORM.sub("", saying.text))
    passed_on = saying.site in PASSED_ON and not told
    return not (plain or passed_on or saying.site in PLAIN_SITES)


@pytest.fixture(scope="module")
def said() -> list[Saying]:
    return sayings(PACKAGE)


@pytest.fixture(scope="module")
def table() -> Table:
    return the_table()


def test_every_text_in_the_sources_has_exactly_one_entry(said: list[Saying], table: Table) -> None:
    faults = []
    for one in said:
        entries = table.covers(one.text, one.site) if is_failure(one) else [None]
        if len(entries) != 1:
            codes = ", ".join(failure.code for failure, _ in entries)
            what = f"stands in {codes} alike" if codes else "has no entry"
            faults.append(f"bridge/{one.site}, line {one.line}: {one.text!r} {what}")
    assert not faults, "\n".join([__doc__ or "", *faults])


def test_every_entry_is_about_a_text_in_the_sources(said: list[Saying], table: Table) -> None:
    used = {
        (failure.code, glob)
        for one in said
        if is_failure(one)
        for failure, glob in table.covers(one.text, one.site)
    }
    declared = {
        (failure.code, glob) for failure in table.failures for glob in failure.says + failure.sites
    }
    assert sorted(declared - used) == [], "nothing in the sources says this any more"
    silent = {failure.code for failure in table.failures} - {code for code, _ in used}
    assert silent == set()


def test_what_is_passed_on_or_plain_is_still_said(said: list[Saying]) -> None:
    sites, texts = {one.site for one in said}, {one.text for one in said}
    optional = {"cli._told", "cli.main"}  # one of both tells the errors
    assert (set(PASSED_ON) | set(PLAIN_SITES)) - sites <= optional
    assert [plain for plain in PLAIN if not any(fnmatchcase(t, plain) for t in texts)] == []


def test_the_sources_are_read_in_every_form_that_tells_something(said: list[Saying]) -> None:
    texts = "\n".join(one.text for one in said)
    for part in (
        "the house limit is …",  # a rule
        "expected no such key",  # pydantic's
        "expected at most limits.…",  # a contradiction of a rig
        "….law: found …",  # a flaw of a map
        "is passive and fed by …",  # a wrong join
        "stop what uses this port",  # a link
        "means nothing in …",  # a log line
        "console lost",  # a state
        "refused: no cue comes next",  # a recall
        "packet is empty",  # bytes
        "is not allowed to speak here",  # a stranger
        "python -O",  # standard error
        "… s, slew: …",  # the witness
        "% of",  # a notice about ears
    ):
        assert part in texts, part
    assert len(said) > 500 and len(CALLS) > 10


def test_every_kind_of_error_is_one_whose_text_is_read(said: list[Saying]) -> None:
    known, errors = set(CALLS), {"BridgeError", "FileError"}
    sites = {one.site for one in said}
    for _ in range(3):  # a class may be derived from one further on
        for path in sorted(PACKAGE.rglob("*.py")):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                bases = {ast.unparse(base) for base in getattr(node, "bases", [])}
                if isinstance(node, ast.ClassDef) and bases & errors:
                    errors.add(node.name)
                    known |= {node.name} if "FileError" in bases else set()  # it holds faults
                    own = [site for site in sites if site.endswith(f".{node.name}.__init__")]
                    known |= {node.name} if own else set()
    assert errors - known == {"FileError"}, "said.py does not read how these word their text"


@pytest.mark.parametrize("failure", the_table().failures, ids=lambda failure: failure.code)
def test_an_entry_says_all_three_things_in_whole_sentences(failure: Failure) -> None:
    assert CODE.fullmatch(failure.code), failure
    for key in ("means", "meanwhile", "do"):
        text = getattr(failure, key)
        assert text.endswith(".") and len(text) > 15 and text[:1] == text[:1].upper(), (key, text)
    for glob in failure.says:
        bare = glob.replace("found", "").replace("expected", "")
        assert weight_of(bare) >= 6 or failure.code.startswith("witness"), glob


def test_an_entry_of_another_form_is_refused_by_its_code() -> None:
    text = '[[failure]]\ncode = "rig-x"\nmeans = "a"\nmeanwhile = "b"\ndo = "c"\nalso = "d"\n'
    with pytest.raises(ValueError, match=r"entry 1, rig-x: .*also"):
        parse_table(text)


def test_a_code_that_stands_twice_is_refused() -> None:
    text = '[[failure]]\ncode = "rig-x"\nmeans = "a"\nmeanwhile = "b"\ndo = "c"\n'
    with pytest.raises(ValueError, match="rig-x stands twice"):
        parse_table(text + text)
