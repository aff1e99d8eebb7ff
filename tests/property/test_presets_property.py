"""Presets: every text written reads back the same, and no recall passes a rule."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta, timezone

from hypothesis import given, settings
from hypothesis import strategies as st
from support.house import CHANNELS, House

from bridge.mix.gesture import SET, TAKEN
from bridge.presets.preset import ALL, BusMix, Extent, Preset, SendMix, parse_preset, text_of
from bridge.presets.recall import Recall, Report, undone
from bridge.presets.values import safe_slots, targets
from bridge.rig.rig import ENGINEER
from bridge.units import OFF

BUSES = ("kit", "front", "side")
levels = st.floats(-90, 20) | st.just("off")
names = st.text(st.characters(exclude_categories=("Cc", "Cs")), min_size=1, max_size=60).filter(
    lambda text: text.strip(" ") != ""
)
zones = st.none() | st.builds(
    lambda minutes: timezone(timedelta(minutes=minutes)), st.integers(-1439, 1439)
)
whens = st.dates() | st.datetimes(
    datetime(1, 1, 3), datetime(9999, 12, 29), timezones=zones  # type: ignore[arg-type]
)  # fmt: skip
maybe = st.none()
sends = st.builds(
    SendMix, level_db=maybe | levels, on=maybe | st.booleans(),
    tap=maybe | st.sampled_from(["pre", "post"]), pan=maybe | st.floats(-1, 1),
)  # fmt: skip


def presets(channels: st.SearchStrategy[str], buses: st.SearchStrategy[str]) -> st.SearchStrategy:
    mixes = st.builds(
        BusMix, master_db=maybe | levels, send=st.dictionaries(channels, sends, max_size=6)
    )

    def with_scope(bus: dict[str, BusMix]) -> st.SearchStrategy[Preset]:
        scope = st.builds(
            Extent,
            buses=st.lists(st.sampled_from(sorted(bus)), min_size=1, unique=True),
            channels=maybe | st.lists(channels, unique=True, max_size=5),
            what=maybe | st.lists(st.sampled_from(ALL), unique=True),
        )
        return st.builds(
            Preset, label=maybe | names, note=maybe | names, by=names, when=whens, scope=scope,
            cue=maybe | st.from_regex(r"\A[0-9]{1,5}(\.[0-9]{1,5}){0,3}\Z"), bus=st.just(bus),
        )  # fmt: skip

    return st.dictionaries(buses, mixes, min_size=1, max_size=3).flatmap(with_scope)


@settings(max_examples=300)
@given(presets(names, names))
def test_a_preset_reads_back_as_it_was_written(preset: Preset) -> None:
    text = text_of(preset)
    again = parse_preset(text, "p.toml")
    assert again == preset and text_of(again) == text


@given(st.text(max_size=200) | presets(names, names).map(text_of))
def test_no_text_raises_anything_but_its_own_faults(text: str) -> None:
    from bridge.presets.preset import PresetError

    try:
        parse_preset(text, "p.toml")
    except PresetError as error:
        assert all(fault.where.startswith("p.toml") for fault in error.faults)


HERE = presets(st.sampled_from(CHANNELS), st.sampled_from(BUSES))
hands = st.sampled_from([ENGINEER, 0, 1])
SAFE = '[[recall_safe]]\nchannel = "kick"\n[[recall_safe]]\nbus = "side"\nchannel = "voice"\n'


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(hands, HERE, st.integers(1, 7), st.floats(0, 3)), max_size=4))
def test_no_recall_passes_a_ceiling_a_right_a_speed_or_what_is_safe(
    recalls: list[tuple[int, Preset, int, float]],
) -> None:
    from support.house import RIG

    made = House(RIG + SAFE).started()
    for bus in BUSES:
        made.open(bus)
    m, engine = made.engine.matrix, made.engine
    safe = safe_slots(made.rig, m)
    kept = {slot: m.asked[slot] for slot in safe}
    for who, preset, most, seconds in recalls:
        before = list(m.asked)
        report = Report("test", who)
        wish = lambda slot, value: engine.wish(report.who, slot, SET, value, made.now_s)  # noqa: E731,B023
        recall = Recall(engine, wish, list(targets(preset, m)), safe=safe, report=report)
        while recall.step(most):
            made.pump()
        made.pump()
        moved = {s for s in made.layout if m.asked[s] != before[s] and m.asked[s] == m.asked[s]}
        assert all(engine.guard.may[who][slot] for slot in moved)
        assert moved == {change.slot for change in report.changes}
        assert all(verdict.outcome != TAKEN for verdict in report.left)
        wanted = dict(targets(preset, m))
        assert moved <= set(wanted) - safe
        explained = {v.slot for v in report.left} | set(report.safe) | set(report.foreign)
        for slot, value in wanted.items():
            now = m.asked[slot] if m.asked[slot] > -90 or m.asked[slot] >= -1 else OFF
            assert slot in explained or abs(now - value) <= 0.011 or now == value
        made.run(seconds)
    assert all(m.asked[slot] == value for slot, value in kept.items())
    last: dict[int, tuple[float, float]] = {}
    for at_s, slot, value in made.words:
        if m.is_send(slot) or m.is_master(slot):
            assert value <= engine.ceilings.hard[slot]
            if slot in last:
                begun_s, begun_db = last[slot]
                rise, step = (3.0, 0.5) if made.layout.place(slot).bus == 1 else (6.0, 1.0)
                floor = max(begun_db, -60.0)
                assert value <= floor + step + rise * (at_s - begun_s) + 1e-6
            last[slot] = (at_s, value)


@settings(max_examples=100, deadline=None)
@given(HERE)
def test_an_undo_brings_back_what_a_recall_changed(preset: Preset) -> None:
    made = House().started()
    m, engine = made.engine.matrix, made.engine
    before = list(m.asked)
    report = Report("recall")
    wish = lambda slot, value: engine.wish(ENGINEER, slot, SET, value, 0.0)  # noqa: E731
    none: frozenset[int] = frozenset()
    while Recall(engine, wish, list(targets(preset, m)), safe=none, report=report).step(10**6):
        pass
    back, undo = list(undone(report.changes, engine, Report("undo"))), Report("undo")
    Recall(engine, wish, back, safe=none, report=undo).step(10**6)
    for slot in made.layout:
        was, now = before[slot], m.asked[slot]
        assert now == was or abs(now - was) <= 0.011 or math.isnan(was), made.layout.name(slot)


def test_the_dates_in_these_tests_are_what_toml_can_say() -> None:
    assert text_of(
        Preset(by="R", when=date(1, 1, 3), scope=Extent(buses=["k"]), bus={"k": BusMix()})
    ).startswith('by = "R"\nwhen = 0001-01-03\n')
    assert datetime(2025, 3, 1, tzinfo=UTC).isoformat().endswith("+00:00")
