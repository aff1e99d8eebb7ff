"""The text of a marks file: what it may say, how faults are told, what a change leaves alone."""

from __future__ import annotations

import tomllib
from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sound_stage import BY_HAND, NOON, mark, stage_rig

from bridge.soundcheck import marks as text_of_marks
from bridge.soundcheck.marks import (
    Book,
    Clear,
    Mark,
    MarksError,
    checked_name,
    parse_marks,
    quoted,
    ring_marks,
    rounded_db,
    with_clear,
    with_frequency,
    with_mark,
    withdrawn,
)
from bridge.stage.rings import RingMark


def faults(text: str) -> list[str]:
    with pytest.raises(MarksError) as caught:
        parse_marks(text, "m.toml", stage_rig())
    return [str(fault) for fault in caught.value.faults]


def test_a_file_written_by_hand_is_read() -> None:
    book = parse_marks(BY_HAND, "m.toml", stage_rig())
    (one,), (clear,) = book.marks, book.clears
    assert (one.pair, one.level_db, one.frequency_hz) == (("voice", "kit"), -8.5, 2500.0)
    assert one.moment == datetime(2025, 3, 1, tzinfo=UTC)
    assert (clear.pair, clear.clear_to_db) == (("voice", "front"), 3.0)


def test_an_empty_file_has_no_marks() -> None:
    assert parse_marks("", "m.toml").in_force() == {}


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        ('level_db = "-8"', "m.toml:4 mark.0.level_db: found '-8', expected a number"),
        ("level_db = nan", "m.toml:4 mark.0.level_db: found nan, expected a finite number"),
        ("level_db = inf", "m.toml:4 mark.0.level_db: found inf, expected"),
        ("level_db = 61", "m.toml:4 mark.0.level_db: found 61, expected"),
        ("level_db = true", "m.toml:4 mark.0.level_db: found true, expected a number"),
        ("level_db = -8\nloud = 1", "m.toml:5 mark.0.loud: found 1, expected no such key"),
        ("level_db = -8\nfrequency_hz = 0", "m.toml:5 mark.0.frequency_hz: found 0, expected"),
        ("level_db = -8\nwithdrawn = 1", "m.toml:5 mark.0.withdrawn: found 1, expected true or"),
        ("", "m.toml:1 mark.0.level_db: found nothing, expected this key"),
    ],
)
def test_a_wrong_value_is_told_with_its_line_and_what_could_stand_there(
    wrong: str, told: str
) -> None:
    text = f'[[mark]]\nchannel = "voice"\nbus = "kit"\n{wrong}\nwhen = 2025-03-01\nby = "Ruth"\n'
    (fault,) = faults(text)
    assert fault.startswith(told)


@pytest.mark.parametrize("when", ["12:00:00", '"2025-03-01"', "2025"])
def test_a_moment_that_is_no_date_is_told(when: str) -> None:
    text = f'[[mark]]\nchannel = "voice"\nbus = "kit"\nlevel_db = 1\nwhen = {when}\nby = "Ruth"'
    (fault,) = faults(text)
    assert fault.startswith("m.toml:5 mark.0.when: found") and "a valid date" in fault


def test_channels_and_buses_that_the_rig_does_not_have_are_named_all_at_once() -> None:
    text = BY_HAND.replace('channel = "voice"', 'channel = "flute"').replace('"kit"', '"loft"')
    assert faults(text) == [
        "m.toml:3 mark.0.channel: found 'flute', expected one of accordion, kick, voice",
        "m.toml:4 mark.0.bus: found 'loft', expected one of ears, front, kit",
        "m.toml:14 clear.0.channel: found 'flute', expected one of accordion, kick, voice",
    ]


def test_more_marks_than_any_stage_has_are_refused() -> None:
    one = '[[mark]]\nchannel="voice"\nbus="kit"\nlevel_db=1\nwhen=2025-03-01\nby="R"\n'
    (fault,) = faults(one * (text_of_marks.MARKS_MAX + 1))
    assert "expected at most 4096 in the list" in fault


def test_text_that_is_no_toml_is_told_with_its_line() -> None:
    assert faults("[[mark]]\nchannel =\n")[0].startswith("m.toml:2: found ")


# -- what is in force ---------------------------------------------------------------------------


def test_the_newest_mark_of_a_pair_is_in_force_wherever_it_stands_in_the_file() -> None:
    newer, older = mark(-3.0, when=NOON), mark(-9.0, when=NOON - timedelta(days=1))
    for order in ((newer, older), (older, newer)):
        book = Book("m.toml")
        for one in order:
            book = with_mark(book, one)
        assert book.in_force() == {("voice", "kit"): newer}


def test_of_equally_old_marks_the_later_in_the_file_is_in_force() -> None:
    book = with_mark(with_mark(Book("m.toml"), mark(-3.0)), mark(-9.0))
    assert book.in_force()["voice", "kit"].level_db == -9.0


def test_dates_and_moments_of_all_zones_are_compared_as_moments() -> None:
    east = NOON.astimezone(timezone(timedelta(hours=9)))
    late = mark(-1.0, when=east + timedelta(seconds=1))
    book = with_mark(with_mark(Book("m.toml"), late), mark(-2.0))
    book = with_mark(book, mark(-3.0, when=datetime(2025, 3, 1, 11, 59)))  # no zone: UTC
    book = with_mark(book, mark(-4.0, when=date(2025, 3, 1)))
    assert book.in_force()["voice", "kit"].level_db == -1.0


def test_a_withdrawn_mark_stays_in_the_file_and_the_older_one_binds_again() -> None:
    book = with_mark(with_mark(Book("m.toml"), mark(-9.0)), mark(-3.0))
    book = withdrawn(book, ("voice", "kit"))
    assert [one.withdrawn for one in book.marks] == [False, True]
    assert book.in_force()["voice", "kit"].level_db == -9.0
    assert withdrawn(book, ("voice", "kit")).in_force() == {}


def test_withdrawing_what_is_not_there_names_what_is() -> None:
    book = with_mark(Book("m.toml"), mark())
    with pytest.raises(
        MarksError, match="no mark in force for kick/kit, expected one of voice/kit"
    ):
        withdrawn(book, ("kick", "kit"))


def test_the_physics_gets_one_mark_a_pair_by_number() -> None:
    book = with_mark(with_mark(Book("m.toml"), mark(-9.0)), mark(-3.0, bus="front"))
    book = with_mark(book, mark(-4.0))
    assert ring_marks(book, stage_rig()) == (RingMark(2, 0, -4.0), RingMark(2, 1, -3.0))


def test_a_pair_that_rang_after_it_was_clear_is_not_clear_even_if_the_mark_is_withdrawn() -> None:
    clear = Clear(channel="voice", bus="kit", clear_to_db=3.0, when=NOON, by="Ruth")
    book = with_clear(Book("m.toml"), clear)
    assert book.clear() == {("voice", "kit"): clear}
    book = withdrawn(with_mark(book, mark(when=NOON + timedelta(hours=1))), ("voice", "kit"))
    assert book.clear() == {}


# -- changes ------------------------------------------------------------------------------------


def test_a_change_leaves_every_other_line_as_it_was() -> None:
    book = parse_marks(BY_HAND, "m.toml")
    book = with_mark(book, mark(-3.0, channel="accordion"))
    book = withdrawn(with_frequency(book, ("voice", "kit"), 2480.0), ("voice", "kit"))
    lines = book.text.split("\n")
    assert "frequency_hz = 2480.0   # about" in lines
    assert lines[2] == "withdrawn = true" and lines[1] == "[[mark]]   # the loud one"
    gone = [line for line in BY_HAND.split("\n") if line not in lines]
    assert gone == ["frequency_hz = 2500   # about"]


def test_a_mark_declared_in_force_by_hand_is_withdrawn_in_its_own_line() -> None:
    text = BY_HAND.replace('by = "Ruth"\n\n', 'by = "Ruth"\nwithdrawn = false # still\n\n')
    assert "withdrawn = true # still\n" in withdrawn(parse_marks(text, "m"), ("voice", "kit")).text


@pytest.mark.parametrize(
    "text",
    [
        'mark = [{ channel = "voice", bus = "kit", level_db = 1, when = 2025-03-01, by = "R" }]',
        BY_HAND.replace("frequency_hz =", '"frequency_hz" ='),
    ],
    ids=["a list in one line", "a key in quotes"],
)
def test_a_form_that_cannot_be_changed_safely_is_refused_with_what_could_be(text: str) -> None:
    book = parse_marks(text, "m.toml")
    with pytest.raises(MarksError, match="each key on a line of its own"):
        with_frequency(with_mark(book, mark(channel="kick")), ("voice", "kit"), 99.0)


def test_a_marks_list_in_one_line_is_not_withdrawn_from_in_a_wrong_place() -> None:
    text = 'mark = [{ channel = "voice", bus = "kit", level_db = 1, when = 2025-03-01, by = "R" }]'
    with pytest.raises(MarksError, match="each key on a line of its own"):
        withdrawn(parse_marks(text, "m.toml"), ("voice", "kit"))


def test_what_would_read_back_as_something_else_is_never_written(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(text_of_marks, "quoted", lambda text: '"somebody else"')
    with pytest.raises(MarksError, match="each key on a line of its own"):
        with_mark(Book("m.toml"), mark())


def test_a_full_file_says_so() -> None:
    one = '[[mark]]\nchannel="voice"\nbus="kit"\nlevel_db=1\nwhen=2025-03-01\nby="R"\n'
    full = parse_marks(one * text_of_marks.MARKS_MAX, "m.toml")
    with pytest.raises(MarksError, match="at most 4096 in the list"):
        with_mark(full, mark())


def test_a_file_with_line_ends_of_another_system_is_changed_too() -> None:
    book = parse_marks(BY_HAND.replace("\n", "\r\n"), "m.toml")
    book = withdrawn(with_frequency(book, ("voice", "kit"), 400.0), ("voice", "kit"))
    assert book.marks[0].frequency_hz == 400.0 and book.marks[0].withdrawn


def test_a_file_never_grows_past_what_can_be_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(text_of_marks.limits, "FILE_BYTES_MAX", 150)
    book = with_mark(Book("m.toml"), mark())
    with pytest.raises(MarksError, match="more than 150 bytes with the change"):
        with_mark(book, mark())


def test_levels_are_kept_in_hundredths_and_never_above_what_was_heard() -> None:
    assert [rounded_db(x) for x in (-8.5, -8.501, -8.509, 2.999)] == [-8.5, -8.51, -8.51, 2.99]


@pytest.mark.parametrize("name", ["", " ", "a\nb", "a\x1b[2J", "x" * 61, "\udcff"])
def test_a_name_that_cannot_be_shown_or_written_is_refused(name: str) -> None:
    with pytest.raises(MarksError, match=r"^--by: found .*, expected 1 to 60 letters"):
        checked_name(name, "--by")


# -- by chance ----------------------------------------------------------------------------------

NAMES = st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=60).filter(
    lambda name: name.strip() != "" and any(ord(c) > 0x20 for c in name)
)
MOMENTS = st.one_of(
    st.dates(),
    st.datetimes(),
    st.datetimes(timezones=st.sampled_from([UTC, timezone(timedelta(hours=-9, minutes=30))])),
)
PAIRS = st.tuples(
    st.sampled_from(["kick", "accordion", "voice"]), st.sampled_from(["kit", "front"])
)
MARKS = st.builds(
    lambda pair, level_db, hz, when, by, out: Mark(
        channel=pair[0], bus=pair[1], level_db=level_db, frequency_hz=hz, when=when, by=by,
        withdrawn=out),
    PAIRS, st.floats(-150, 60), st.none() | st.floats(20, 20000), MOMENTS, NAMES, st.booleans(),
)  # fmt: skip
CLEARS = st.builds(
    lambda pair, level_db, ceiling_db, when, by: Clear(
        channel=pair[0], bus=pair[1], clear_to_db=level_db, ceiling_db=ceiling_db, when=when,
        by=by),
    PAIRS, st.floats(-150, 60), st.none() | st.floats(-150, 60), MOMENTS, NAMES,
)  # fmt: skip
STARTS = st.sampled_from(["", "# by hand", BY_HAND, BY_HAND.rstrip()])


@settings(max_examples=150, deadline=None)
@given(STARTS, st.lists(st.one_of(MARKS, CLEARS), max_size=8))
def test_whatever_was_added_reads_back_the_same(start: str, added: list[Mark | Clear]) -> None:
    book = first = parse_marks(start, "m.toml")
    for one in added:
        book = with_mark(book, one) if isinstance(one, Mark) else with_clear(book, one)
    again = parse_marks(book.text, "m.toml")
    assert again.marks == (*first.marks, *[one for one in added if isinstance(one, Mark)])
    assert again.clears == (*first.clears, *[one for one in added if isinstance(one, Clear)])
    assert book.text.startswith(start)


@settings(max_examples=100, deadline=None)
@given(st.lists(MARKS, min_size=1, max_size=8), st.data())
def test_a_change_to_one_mark_changes_that_mark_only(
    marks: list[Mark], data: st.DataObject
) -> None:
    book = parse_marks(BY_HAND, "m.toml")
    for one in marks:
        book = with_mark(book, one)
    pair = data.draw(st.sampled_from(sorted(book.in_force())))
    bound, hz = book.in_force()[pair], data.draw(st.floats(20, 20000))
    after = withdrawn(with_frequency(book, pair, hz), pair)
    changed = bound.model_copy(update={"frequency_hz": hz, "withdrawn": True})
    spot = next(i for i, one in enumerate(book.marks) if one is bound)
    assert after.marks == (*book.marks[:spot], changed, *book.marks[spot + 1 :])
    assert after.clears == book.clears


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_a_quoted_text_is_that_text(text: str) -> None:
    assert tomllib.loads(f"key = {quoted(text)}")["key"] == text
