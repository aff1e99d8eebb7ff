"""Advice is true: follow it in the rig's own text, count anew, and the gain is there."""

from __future__ import annotations

import math

import pytest
from plan_rigs import HEAD, LOUDSPEAKERS, MICROPHONES, STAGE, WHOLE, rig_of

from bridge.plan.advice import EAR_LOSS_DB, MOVE, PATTERN, TURN, Advice, aims
from bridge.plan.facts import Plan, plan_of
from bridge.plan.page import advice_text
from bridge.rig.rig import Rig
from bridge.stage import geometry, survey
from bridge.stage.geometry import Point

SIDEWAYS = WHOLE.replace(
    "at = [0.1, 0.9, 1.55]\naim_deg = [0, 10]", "at = [0.1, 0.9, 1.55]\naim_deg = [60, -20]"
)
"""A singer's microphone that looks away from the null."""

CLOSE = WHOLE.replace("at = [-2.2, 0.4, 0.25]", "at = [-2.6, 1.3, 0.25]")
"""A wedge beside the accordion instead of below it."""

RIGS = {"as it is": WHOLE, "sideways": SIDEWAYS, "beside": CLOSE}


def followed(text: str, table: str, number: int, changes: dict[str, object]) -> str:
    """A rig's text with one piece of advice followed, line by line."""
    blocks = text.split("[[")
    places = [i for i, block in enumerate(blocks) if block.startswith(f"{table}]]")]
    at = places[number]
    gone = set(changes)
    if gone & {"aim_at", "aim_deg"}:
        gone |= {"aim_at", "aim_deg"}
    if "pattern" in gone:
        gone.add("a")
    lines = [line for line in blocks[at].splitlines() if line.split(" = ")[0] not in gone]
    lines += [f"{key} = {value!r}" for key, value in changes.items()]
    blocks[at] = "\n".join(lines) + "\n"
    return "[[".join(blocks)


def show_db(plan: Plan) -> float:
    return next(mix.headroom_db for mix in plan.mixes if mix.name == "show")


def all_advice() -> list[tuple[str, Advice]]:
    return [(name, each) for name, text in RIGS.items()
            for each in plan_of(rig_of(text)).advised.advice]  # fmt: skip


@pytest.fixture(scope="module")
def advised() -> list[tuple[str, Advice]]:
    return all_advice()


def test_there_is_advice_of_every_kind(advised: list[tuple[str, Advice]]) -> None:
    assert {each.kind for _, each in advised} == {TURN, MOVE, PATTERN}


def test_following_any_advice_gives_what_it_says(advised: list[tuple[str, Advice]]) -> None:
    for name, each in advised:
        text = followed(RIGS[name], each.table, each.number, dict(each.changes))
        before, after = show_db(plan_of(rig_of(RIGS[name]))), show_db(plan_of(rig_of(text)))
        assert after - before == pytest.approx(each.helps_db, abs=1e-6), each
        assert after == pytest.approx(each.headroom_db, abs=1e-6)


def test_only_what_helps_by_a_decibel_is_said_and_the_best_comes_first() -> None:
    for text in RIGS.values():
        helps = [each.helps_db for each in plan_of(rig_of(text)).advised.advice]
        assert all(each >= 1.0 for each in helps)
        assert helps == sorted(helps, reverse=True)


def test_no_turn_takes_the_source_out_of_the_3_db_arc(advised: list[tuple[str, Advice]]) -> None:
    for name, each in advised:
        if each.kind == TURN:
            said = rig_of(RIGS[name]).file.microphone[each.number]
            mic = survey.microphone(said)
            angles = each.changes["aim_deg"]
            assert isinstance(angles, list)
            off = geometry.angle_between_deg(mic.facing, geometry.aim(*angles))
            assert off <= mic.pattern.acceptance_deg() / 2.0 + 1e-9
            assert off == pytest.approx(each.turned_deg)
            # What the source loses is in the new nominal level, so the gain is not flattered.
            lost = mic.pattern.level_db(off)
            assert each.source_db == pytest.approx(lost, abs=1e-6)
            nominal = each.changes["nominal_spl_db"]
            assert nominal == pytest.approx(said.nominal_spl_db + lost, abs=0.006)


def test_what_the_source_loses_counts_against_a_turn() -> None:
    """A subcardioid, 0.7 + 0.3 cos, and a wedge beside it.

    Turned by t it hears (0.7 - 0.3 sin t) of the wedge and (0.7 + 0.3 cos t) of its source: the
    best is 20 log10(0.7 * 0.85 / 0.4402) = 2.62 dB at 60 degrees; at the edge of its arc, where it
    hears least of the wedge, only 1.8 dB are left.
    """
    text = HEAD + STAGE + (
        '[[microphone]]\nchannel = "voice"\nat = [0, 1, 1]\naim_deg = [0, 0]\n'
        'a = 0.7\nnominal_spl_db = 94\n[[loudspeaker]]\nid = "wedge"\nbus = "front"\n'
        "at = [1, 1, 1]\naim_at = [0, 1, 1]\nactive = true\nspl_1m_db = 98\n"
    )  # fmt: skip
    (turn,) = (each for each in plan_of(rig_of(text)).advised.advice if each.kind == TURN)
    assert 2.62 - 0.55 <= turn.helps_db <= 2.63
    assert turn.turned_deg <= 60.0 + 5.0


def test_a_moved_wedge_keeps_its_distance_to_the_microphone_and_its_listener(
    advised: list[tuple[str, Advice]],
) -> None:
    moves = [(name, each) for name, each in advised if each.kind == MOVE]
    assert moves
    for name, each in moves:
        rig = rig_of(RIGS[name])
        before, after = Point(*rig.file.loudspeaker[each.number].at), each.changes["at"]
        assert isinstance(after, list)
        kept = [
            mic
            for mic in rig.file.microphone
            if math.isclose(math.dist(mic.at, before), math.dist(mic.at, after), abs_tol=0.02)
        ]
        assert kept and after[2] == before.z
        assert each.ear_db is not None and each.ear_db >= -EAR_LOSS_DB
        assert math.dist(before, after) == pytest.approx(each.moved_m)


def test_an_omnidirectional_microphone_is_never_turned() -> None:
    omni = WHOLE.replace('pattern = "cardioid"', 'pattern = "omni"')
    advice = plan_of(rig_of(omni)).advised.advice
    assert advice and all(each.kind != TURN for each in advice)


def test_side_fills_are_not_carried_about() -> None:
    plan = plan_of(rig_of(WHOLE.replace("spl_1m_db = 96", "spl_1m_db = 118")))
    moved = {each.against for each in plan.advised.advice if each.kind == MOVE}
    assert not moved & {"side-left", "side-right"}


def test_a_rig_without_mixes_is_advised_for_everything_at_unity() -> None:
    bare = "\n".join(line for line in WHOLE.splitlines() if not line.startswith("start_mix"))
    plan = plan_of(rig_of(bare))
    assert plan.advised.mix == "unity" and math.isfinite(plan.advised.headroom_db)
    assert plan.advised.tried > 0


def test_a_rig_with_nothing_to_gain_gets_no_advice() -> None:
    text = HEAD + STAGE + MICROPHONES
    assert plan_of(rig_of(text)).advised.tried == 0
    assert plan_of(rig_of(HEAD + STAGE + LOUDSPEAKERS)).advised.tried == 0


def test_aims_are_all_within_the_angle_and_reach_its_edge() -> None:
    front = geometry.aim(10.0, 20.0)
    found = aims(front, 40.0)
    offs = [geometry.angle_between_deg(front, geometry.aim(*each)) for each in found]
    assert max(offs) <= 40.0 and max(offs) > 37.0 and min(offs) < 4.0
    assert all(azimuth % 5 == 0 and elevation % 5 == 0 for azimuth, elevation in found)


def test_advice_reads_as_a_sentence_that_names_both() -> None:
    rig: Rig = rig_of(CLOSE)
    plan = plan_of(rig)
    for each in plan.advised.advice:
        text = advice_text(plan, each)
        assert text.endswith(".") and "W" in text
        assert text.split()[0] in ("Turn", "Move", "Use")
