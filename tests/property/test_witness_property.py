"""The witness against a bridge that keeps to the limits, one that does not, and brute force."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.rig.layout import Layout, Parameter
from bridge.simulator import recording
from bridge.simulator.findings import Findings
from bridge.simulator.recording import Facts, header_of
from bridge.simulator.stand_in import power_on_values
from bridge.simulator.witness import judge

LAYOUT = Layout(("voice",), ("wedge",))
MASTER = LAYOUT.slot(Parameter.BUS_MASTER, bus=0)
MUTE = LAYOUT.slot(Parameter.BUS_MUTE, bus=0)
FLOOR_DB, RISE, STEP = -60.0, 6.0, 1.0
OFF = float("-inf")

levels = st.one_of(st.just(OFF), st.floats(-80.0, 0.0))
gaps = st.one_of(st.just(0.0), st.floats(0.0, 0.2), st.floats(0.0, 20.0))
words = st.lists(st.tuples(gaps, levels), min_size=1, max_size=60)
Tape = list[tuple[float, int, float]]


def _judged(tape: Tape) -> Findings:
    facts = Facts(
        layout=LAYOUT,
        values=tuple(power_on_values(LAYOUT)),
        can_set=frozenset({MASTER, MUTE}),
        can_read=frozenset(),
        send_ceiling_db=(0.0,),
        master_ceiling_db=(0.0,),
        start_db=(-40.0,),
        rise_db_per_s=(RISE,),
        step_db=(STEP,),
        auto_open=(True,),
        ramp_floor_db=FLOOR_DB,
        cold=False,
    )
    lines = (recording.told(at_s, slot, value) for at_s, slot, value in tape)
    return judge([header_of(facts), *lines], tolerance_db=1e-6)


def _obeying(wishes: list[tuple[float, float]]) -> Tape:
    """A bridge with a purse: it holds up to a step, fills at the rise, and each rise is paid.

    What fills it while the level stands is lost beyond a step; falls fill it up to what it was
    before the rise that they undo, and this one does not even count on that.
    """
    tape, at_s, purse, heard = [], 0.0, STEP, FLOOR_DB
    for gap_s, wish in wishes:
        at_s += gap_s
        purse = min(STEP, purse + RISE * gap_s)
        level = min(wish, heard + purse)
        now = max(level, FLOOR_DB)
        purse -= max(0.0, now - heard)
        heard = now
        tape.append((at_s, MASTER, level))
    return tape


@given(words)
@settings(max_examples=300, deadline=None)
def test_a_bridge_that_pays_for_each_rise_is_always_green(
    wishes: list[tuple[float, float]],
) -> None:
    findings = _judged(_obeying(wishes))
    assert findings.ok, findings.text()


@given(
    st.lists(st.floats(0.005, 0.05), min_size=200, max_size=400),
    st.floats(1.3, 4.0),
    st.floats(0.0, 7200.0),
)
@settings(max_examples=100, deadline=None)
def test_a_bridge_whose_clock_runs_fast_is_always_caught(
    gaps_s: list[float], speed: float, idle_s: float
) -> None:
    """A ramp at full speed, judged on a clock that is slower by the factor."""
    tape = _obeying([(idle_s, OFF), *((gap_s * speed, 0.0) for gap_s in gaps_s)])
    true_s, slow = idle_s, []
    for gap_s, (_, slot, level) in zip([0.0, *gaps_s], tape, strict=True):
        true_s += gap_s
        slow.append((true_s, slot, level))
    if slow[-1][2] - FLOOR_DB > STEP + RISE * sum(gaps_s) + 1e-6:  # it did come further than it may
        assert _judged(slow).counts.get("slew", 0) >= 1


@given(words, st.floats(0.01, 7200.0), st.floats(1.01, 20.0), st.integers(0, 10**6))
@settings(max_examples=200, deadline=None)
def test_saved_up_rise_is_always_caught(
    wishes: list[tuple[float, float]], idle_s: float, jump_db: float, number: int
) -> None:
    tape = _obeying(wishes)[: 1 + number % len(wishes)]
    heard = max(tape[-1][2], FLOOR_DB)
    jump = (tape[-1][0] + idle_s, MASTER, min(0.0, heard + jump_db))
    if jump[2] - heard > STEP + 1e-3:
        assert _judged([*tape, jump]).counts == {"slew": 1}


steps = st.lists(
    st.tuples(
        st.one_of(st.just(0.0), st.floats(0.0, 2.0)),
        st.one_of(
            st.tuples(st.just(MASTER), st.one_of(st.just(OFF), st.floats(-62.0, -50.0))),
            st.tuples(st.just(MUTE), st.sampled_from([0.0, 1.0])),
        ),
    ),
    min_size=1,
    max_size=25,
)


def _worst_excess_db(tape: Tape) -> float:
    """The promise word for word: every two moments, each level held until the next word."""
    spans, level, muted, since = [], OFF, 0.0, 0.0
    for at_s, slot, value in tape:
        spans.append((since, at_s, FLOOR_DB if muted else max(level, FLOOR_DB)))
        level, muted = (value, muted) if slot == MASTER else (level, value)
        since = at_s
    spans.append((since, since, FLOOR_DB if muted else max(level, FLOOR_DB)))
    return (
        max(
            late - early - STEP - RISE * (begins - ended)
            for j, (begins, _, late) in enumerate(spans)
            for _, ended, early in spans[: j + 1]
            if ended <= begins
        )
        if len(spans) > 1
        else 0.0
    )


@given(steps)
@settings(max_examples=500, deadline=None)
def test_it_says_what_brute_force_over_all_pairs_of_moments_says(
    moves: list[tuple[float, tuple[int, float]]],
) -> None:
    tape, at_s = [], 0.0
    for gap_s, (slot, value) in moves:
        at_s += gap_s
        tape.append((at_s, slot, value))
    excess_db = _worst_excess_db(tape)
    if abs(excess_db) > 1e-4:
        assert (_judged(tape).counts.get("slew", 0) > 0) == (excess_db > 0.0)
