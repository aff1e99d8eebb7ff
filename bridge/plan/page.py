"""A plan as one page of HTML that asks for nothing from outside. I/O.

Names in a rig are other people's words: everything is escaped by the template engine, save the
drawing, which escapes its own.
"""

from __future__ import annotations

import math

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from bridge import __version__
from bridge.plan import drawing, marks, words
from bridge.plan.advice import MOVE, TURN, Advice
from bridge.plan.facts import Plan
from bridge.plan.mixes import WORDS
from bridge.stage import geometry
from bridge.stage.geometry import Point
from bridge.units import OFF

COLUMNS = 8
"""Buses side by side in one table on A4."""

ADVICE_SHOWN = 12

SHEETS = (
    ("cautions", "Cautions"),
    ("stage", "The stage from above"),
    ("coupling", "What comes back into the microphones"),
    ("ceilings", "How high it may go"),
    ("advice", "What would give more room"),
    ("patch", "Patch list"),
    ("joins", "Joins to put right"),
    ("amplifiers", "Amplifiers"),
    ("mains", "Mains"),
    ("ears", "At the ears"),
    ("missing", "Left out, because the rig does not say it"),
)


def page(plan: Plan) -> str:
    """A plan as HTML."""
    engine = Environment(
        loader=PackageLoader("bridge.plan", "sheets"),
        autoescape=True,
        undefined=StrictUndefined,
    )
    stage = plan.scene
    svg, unlabelled = None, 0
    if stage.microphones or stage.loudspeakers or stage.listeners:
        text, unlabelled = drawing.stage_svg(plan)
        svg = Markup(text)
    there = _there(plan)
    return engine.get_template("plan.html").render(
        plan=plan,
        version=__version__,
        svg=svg,
        unlabelled=unlabelled,
        sheets=[sheet for sheet in SHEETS if there[sheet[0]]],
        has_loops=there["coupling"],
        loaded=[out for out in plan.outputs if out.boxes],
        column_groups=_groups(len(plan.buses)),
        largest=[max((row[b].level_db for row in plan.couplings), default=OFF)
                 for b in range(len(plan.buses))],
        loops=plan.mixes[-1],
        advice=_advice(plan),
        most_words=WORDS["most"],
        range_db=round(marks.RANGE_DB),
        reach_m=drawing.REACH_M,
        inf=math.inf, off=OFF, no=words.NO, minus=words.MINUS,
        db=words.db, number=words.number, place=words.place, aim=words.aim, span=words.span,
    )  # fmt: skip


def _there(plan: Plan) -> dict[str, bool]:
    """Which sheets a plan has."""
    stage = plan.scene
    loops = any(one.level_db > OFF for row in plan.couplings for one in row)
    return {
        "stage": bool(stage.microphones or stage.loudspeakers or stage.listeners),
        "coupling": loops, "ceilings": loops, "advice": loops,
        "patch": bool(plan.routes), "joins": bool(plan.joins), "amplifiers": bool(plan.outputs),
        "mains": bool(plan.mains.draws or plan.mains.unknown), "ears": bool(plan.exposed),
        "cautions": True, "missing": bool(plan.missing),
    }  # fmt: skip


def _groups(buses: int) -> list[list[int]]:
    """The buses in groups that fit on a page, about equally many each."""
    count = math.ceil(buses / COLUMNS)
    size = math.ceil(buses / count)
    return [list(range(buses))[start : start + size] for start in range(0, buses, size)]


def _advice(plan: Plan) -> list[tuple[str, str, str]]:
    """What helps, by how much, and the headroom then."""
    return [
        (
            words.change(each.helps_db) if each.helps_db < math.inf else "all",
            advice_text(plan, each),
            words.number(each.headroom_db) if each.headroom_db < math.inf else "no loop",
        )
        for each in plan.advised.advice[:ADVICE_SHOWN]
    ]


def advice_text(plan: Plan, each: Advice) -> str:
    """One piece of advice as a sentence."""
    boxes = {box.id: box for box in plan.scene.loudspeakers}
    box = boxes[each.against]
    against = f"{box.key} {box.name}"
    if each.kind == MOVE:
        return _move_text(each, against)
    mic = next(mic for mic in plan.scene.microphones if mic.table == each.number)
    name = f"{mic.key} {mic.name}"
    if each.kind == TURN:
        angles = each.changes["aim_deg"]
        assert isinstance(angles, list), "an aim has two angles"
        loss = f"; its source is then {words.number(-each.source_db)} dB lower, which its gain " \
               "makes good" if each.source_db < -0.05 else ""  # fmt: skip
        return (
            f"Turn {name} by {each.turned_deg:.0f}\u00b0, so that it hears less of {against}: "
            f"front to {words.aim(angles[0], angles[1])}{loss}."
        )
    return f"Use a {each.changes['pattern']} for {name}, against {against}."


def _move_text(each: Advice, against: str) -> str:
    at, target = each.changes["at"], each.changes["aim_at"]
    assert isinstance(at, list) and isinstance(target, list), "a place has three numbers"
    toward = geometry.azimuth_elevation_deg(geometry.aim_at(Point(*at), Point(*target)))
    heard = "" if each.ear_db is None else \
        f"; at its listener {words.change(each.ear_db)} dB"  # fmt: skip
    return (
        f"Move {against} by {each.moved_m:.1f} m to {words.place(Point(*at))}, axis to "
        f"{words.aim(*toward)}, into the null{heard}."
    )
