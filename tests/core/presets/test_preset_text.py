"""A preset as text: what is refused and how that is said, and that it reads back as written."""

from __future__ import annotations

import textwrap
from datetime import UTC, datetime

import pytest
from preset_house import QUIET, REEL, preset
from support.house import rig

from bridge.presets import preset as module
from bridge.presets.preset import (
    BusMix,
    Extent,
    Preset,
    PresetError,
    SendMix,
    db_of,
    parse_preset,
    text_of,
)
from bridge.units import OFF


def test_the_example_in_the_module_is_a_preset() -> None:
    shown = str(module.__doc__).split("\n\n")[1:-1]
    text = textwrap.dedent("\n\n".join(shown))
    assert parse_preset(text, "doc.toml", rig()).bus["kit"].send["bass"].level_db == "off"


@pytest.mark.parametrize("text", [REEL, QUIET])
def test_what_was_written_reads_back_the_same(text: str) -> None:
    read = preset(text)
    assert preset(text_of(read)) == read
    assert text_of(preset(text_of(read))) == text_of(read)


def test_every_send_has_a_line_of_its_own() -> None:
    lines = text_of(preset()).splitlines()
    assert 'voice = { level_db = -15.5, on = true, tap = "post", pan = -0.25 }' in lines
    assert "bass = { level_db = -9.0 }" in lines


def test_a_text_of_all_letters_reads_back_the_same() -> None:
    odd = 'quote " backslash \\ umlaut ü, 音, \u2028 end'
    made = Preset(
        label=odd[:60], note=odd, by="Béla", when=datetime(2025, 3, 1, tzinfo=UTC),
        scope=Extent(buses=["kit"]), bus={"kit": BusMix(send={"kick": SendMix(pan=-0.0)})},
    )  # fmt: skip
    assert preset(text_of(made)) == made


def test_a_key_of_any_letters_reads_back_the_same() -> None:
    odd = "".join(map(chr, range(0xA1))) + '"\\ü\u2028'
    made = preset().model_copy(update={"bus": {**preset().bus, odd: BusMix()}})
    assert preset(text_of(made)) == made


def test_off_and_the_floor_are_off() -> None:
    assert db_of("off") == db_of(-90.0) == OFF
    assert db_of(-89.9) == -89.9


def test_a_time_without_a_zone_counts_as_utc() -> None:
    assert preset(QUIET).moment == datetime(2025, 3, 1, tzinfo=UTC)
    assert preset().moment == datetime(2025, 3, 1, 18, 2, 11, tzinfo=UTC)


def line(number: int, key: str) -> str:
    return f"reel.toml:{number} {key}: "


FAULTS = [
    ("accordion = {", "flute = {", line(15, "bus.kit.send.flute") + "found 'flute'",
     "one of accordion, bass, kick, voice"),
    ("[bus.kit]\n", "[bus.cellar]\n", line(11, "bus.cellar") + "found 'cellar'",
     "one of front, kit, side"),
    ('"front"]', '"side"]', line(9, "scope.buses.1") + "found 'side'",
     "one of front, kit, which stand below"),
    ('"kit", "front"]', '"kit", "kit"]', line(9, "scope.buses.1") + "found 'kit' twice",
     "each name once"),
    ("-10.0", "21", line(15, "bus.kit.send.accordion.level_db") + "found 21", "20"),
    ("-10.0", "nan", line(15, "bus.kit.send.accordion.level_db") + "found nan", "number"),
    ("-10.0", "-inf", line(15, "bus.kit.send.accordion.level_db") + "found -inf", "'off'"),
    ("-10.0", "'loud'", line(15, "bus.kit.send.accordion.level_db") + "found 'loud'", "'off'"),
    ("-10.0", "true", line(15, "bus.kit.send.accordion.level_db") + "found true", "number"),
    ("pan = -0.25", "pan = 1.5", line(16, "bus.kit.send.voice.pan") + "found 1.5", "equal to 1"),
    ("on = true", "on = 1", line(16, "bus.kit.send.voice.on") + "found 1", "true or false"),
    ('tap = "post"', 'tap = "in"', line(16, "bus.kit.send.voice.tap") + "found 'in'", "'pre'"),
    ("on = true", "mute = true", line(16, "bus.kit.send.voice.mute") + "found true", "no such key"),
    ('by = "Ruth"\n', "", line(1, "by") + "found nothing", "this key"),
    ('by = "Ruth"', 'by = "\\u001b[2J"', line(4, "by") + "found", "letters that can be shown"),
    ('"91.5"', '"91..5"', line(6, "cue") + "found '91..5'", "digits with single points"),
    ('"91.5"', '"٣"', line(6, "cue") + "found '٣'", "digits with single points"),
    ('"91.5"', "91.5", line(6, "cue") + "found 91.5", "a text in quotes"),
    ("[scope]", "[extent]", "reel.toml:8 extent: found a table", "no such key"),
    ('"front"]', '"front"]\nwhat = ["levels"]', line(10, "scope.what.0") + "found 'levels'",
     "'level'"),
    ('"front"]', '"front"]\nchannels = ["flute"]', line(10, "scope.channels.0") + "found 'flute'",
     "one of accordion"),
    ("[scope]", "[scope", "reel.toml:8: found", "TOML 1.0"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "found", "expected"), FAULTS)
def test_a_fault_is_told_with_file_line_key_and_what_was_expected(
    old: str, new: str, found: str, expected: str
) -> None:
    assert old in REEL
    with pytest.raises(PresetError) as caught:
        parse_preset(REEL.replace(old, new, 1), "reel.toml", rig())
    said = str(caught.value)
    assert found in said and expected in said.split(found, 1)[1]


def test_a_file_of_another_kind_is_refused() -> None:
    from support.house import RIG

    with pytest.raises(PresetError, match="found nothing, expected this key"):
        parse_preset(RIG, "house.toml", rig())


def test_more_sends_than_a_rig_can_have_are_refused() -> None:
    many = "".join(f"c{i} = {{ level_db = -9 }}\n" for i in range(513))
    with pytest.raises(PresetError, match="512"):
        preset(REEL + many)


def test_many_faults_are_cut_to_what_a_person_can_use() -> None:
    many = "".join(f"c{i} = {{ level_db = -9 }}\n" for i in range(300))
    with pytest.raises(PresetError) as caught:
        parse_preset(REEL + many, "reel.toml", rig())
    assert len(caught.value.faults) == 41 and "260 more" in str(caught.value.faults[-1])
