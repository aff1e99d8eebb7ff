"""From an error to its explanation, on real errors, by code and by words. I/O."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from bridge.errors import BridgeError, Fault, LinkError, MapError, RigError, WireError
from bridge.explain.command import explain
from bridge.explain.hints import hint, hint_of, the_table
from bridge.explain.table import Failure
from bridge.links.address import parse_address
from bridge.loading import load
from bridge.maps.load import parse_map
from bridge.mix.gesture import RULES
from bridge.rig.rig import parse_rig

RIG = """[rig]
name = "Ferry Lane"
[[channel]]
id = "voice"
console = 1
[[bus]]
id = "kit"
console = 1
[console]
map = "m.toml"
send = "udp://127.0.0.1:9000"
"""
MAP = """[map]
name = "m"
kind = "console"
[[osc]]
parameter = "send level"
address = "/s/{channel}/{bus}"
type = "f"
law = "fader"
"""

BROKEN_RIGS = (
    ("", "file-missing-key"),
    ("[rig", "file-syntax"),
    (RIG + "loud = 1\n", "file-unknown-key"),
    (RIG.replace('"voice"', '"Voice!"'), "file-name-form"),
    (RIG.replace('send = "udp://127.0.0.1:9000"', ""), "rig-roads"),
    (RIG + '[[performer]]\nid = "ines"\nbuses = ["side"]\n', "rig-unknown-name"),
    (RIG.replace("console = 1\n[console]", "console = 1\nstart_db = 11\n[console]"), "rig-loosens"),
    (RIG + '[[channel]]\nid = "voice"\nconsole = 2\n', "rig-twice"),
    (RIG + '[[ear]]\nperformer = "ines"\nat = [0, 0, 0]\n', "rig-stage-off"),
)


@pytest.mark.parametrize(("text", "code"), BROKEN_RIGS, ids=lambda value: str(value)[-30:])
def test_a_broken_rig_names_the_entry_that_says_more(text: str, code: str) -> None:
    with pytest.raises(RigError) as caught:
        parse_rig(text, "ferry-lane.toml")
    assert code in hint(caught.value).split(), str(caught.value)


BROKEN_MAPS = (
    (MAP.replace('"fader"', '"fast"'), "map-law"),
    (MAP.replace("/{bus}", ""), "map-place"),
    (MAP.replace("/s/", "/s #/"), "map-osc"),
    (MAP + "takeover = 'jump'\n", "map-entry"),
)


@pytest.mark.parametrize(("text", "code"), BROKEN_MAPS, ids=lambda value: str(value)[-30:])
def test_a_broken_map_names_the_entry_that_says_more(text: str, code: str) -> None:
    with pytest.raises(MapError) as caught:
        parse_map(text, "m.toml")
    assert code in hint(caught.value).split(), str(caught.value)


def test_a_file_that_is_not_there_names_its_entry(tmp_path: Path) -> None:
    with pytest.raises(RigError) as caught:
        load(tmp_path / "none.toml")
    assert hint(caught.value) == "more: foldbridge explain file-unreadable"


def test_an_address_that_cannot_be_names_its_entry() -> None:
    with pytest.raises(LinkError) as caught:
        parse_address("udp://:0", "console.send")
    assert hint(caught.value) == "more: foldbridge explain rig-address"


def test_several_errors_name_their_entries_once_and_in_order() -> None:
    busy = LinkError("console", "port 9001 is in use", "stop what uses this port, or name another")
    unknown = RigError([Fault("a:1 rig.x", "1", "no such key"), Fault("a:2", "2", "no such key")])
    assert hint(unknown, busy) == "more: foldbridge explain file-unknown-key link-port-busy"


def test_a_text_that_nobody_foresaw_falls_back_on_the_kind_of_error() -> None:
    assert hint(MapError([Fault("a", "b", "c")])) == "more: foldbridge explain map-entry"
    assert hint(RigError([Fault("a", "b", "c")])) == "more: foldbridge explain file-value"
    assert hint(WireError("who knows")) == "more: foldbridge explain link-rubbish"
    assert hint(BridgeError("who knows")) == ""


def test_warnings_name_their_entries_too() -> None:
    warning = "r.toml:3 bus.0.tap: kit is tapped post fader: every move of a channel fader is "
    assert hint_of([warning + "heard"]) == "more: foldbridge explain check-post-fader"
    assert hint_of([]) == ""


def test_a_table_that_is_gone_costs_no_error_its_words(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bridge.explain.hints._PATH", Path("/nowhere/table.toml"))
    assert hint(WireError("who knows")) == ""


@pytest.mark.parametrize("rule", RULES)
def test_every_rule_is_explained_from_a_line_of_the_log(rule: str) -> None:
    said = RULES[rule].format(level="-6.0 dB")
    line = f"2026-05-01 20:15:02,118 INFO    foot-board: Ines: send level of voice in kit: {said}"
    (found,) = the_table().search(line)
    # "preset busy" and "no presets" are about presets, all others about rules
    assert found.area in ("rule", "preset"), found.code


@pytest.mark.parametrize("failure", the_table().failures, ids=lambda failure: failure.code)
def test_a_code_is_told_in_full(failure: Failure, capsys: pytest.CaptureFixture[str]) -> None:
    assert explain(failure.code) == 0
    told = " ".join(capsys.readouterr().out.split())
    for part in (failure.code, failure.means, failure.meanwhile, failure.do):
        assert part in told
    assert max(map(len, told.splitlines())) > 0


def test_nothing_told_is_wider_than_its_columns(capsys: pytest.CaptureFixture[str]) -> None:
    explain("link-not-sent")
    explain("")
    prose = [line for line in capsys.readouterr().out.splitlines() if "Its texts" not in line]
    assert max(map(len, prose)) <= 96


def test_without_words_every_code_is_listed_once(capsys: pytest.CaptureFixture[str]) -> None:
    assert explain(" ") == 0
    codes = [line.split()[0] for line in capsys.readouterr().out.splitlines()]
    assert codes == [failure.code for failure in the_table().failures]


def test_an_area_lists_its_codes(capsys: pytest.CaptureFixture[str]) -> None:
    assert explain("rule") == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) > 5 and all(line.startswith("rule-") for line in lines)


def test_words_find_what_is_about_them(capsys: pytest.CaptureFixture[str]) -> None:
    assert explain("console does not answer") == 0
    assert "console-silent" in capsys.readouterr().out


def test_several_codes_are_told_one_after_the_other(capsys: pytest.CaptureFixture[str]) -> None:
    assert explain("file-syntax rig-twice") == 0
    out = capsys.readouterr().out
    assert out.index("file-syntax") < out.index("rig-twice")


def test_machines_get_plain_data(capsys: pytest.CaptureFixture[str]) -> None:
    assert explain("rig-twice", as_json=True) == 0
    (told,) = json.loads(capsys.readouterr().out)
    assert set(told) == {"code", "means", "meanwhile", "do", "says"}


def test_what_nothing_explains_is_said_with_what_is_near(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert explain("rig-twicce") == 1
    assert "rig-twice" in capsys.readouterr().err
    assert explain("zyx") == 1
    assert "all codes: foldbridge explain" in capsys.readouterr().err


def test_a_text_of_any_length_and_letters_is_answered_in_time() -> None:
    for text in ("* " * 5_000, "x" * 100_000, "\n" * 5_000, "found expected : ; " * 3_000, "\0é"):
        the_table().search(text)
