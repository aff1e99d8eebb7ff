"""A lesson as a page shows it: plain data, all of it each time. Pure."""

from __future__ import annotations

from bridge.learning.finding import SURE_WORDS
from bridge.learning.lesson import Lesson, Step


def picture(lesson: Lesson) -> dict[str, object]:
    """All that there is to see of a lesson, ready for JSON.

    Args:
        lesson: Where it stands.

    Returns:
        ``step``, ``asks`` (what to do at the control), ``heard`` (messages), ``found`` (each with
        words, sureness, notes), ``taken`` (its number in them, null while none is), ``question``,
        ``answers`` (each with words and whether it has an amount), ``entry``, ``complete`` (it can
        be written), ``remarks``, ``does`` (what the control would do).
    """
    finding = lesson.finding
    return {
        "controller": lesson.study.declared.id,
        "person": lesson.study.person,
        "step": lesson.step.value,
        "asks": lesson.asks,
        "heard": lesson.heard,
        "found": [[one.told, SURE_WORDS[one.sure], list(one.notes)] for one in lesson.findings],
        "taken": None if finding is None else lesson.findings.index(finding),
        **_question(lesson),
        "entry": lesson.entry,
        "complete": lesson.complete,
        "remarks": list(lesson.remarks),
        "does": lesson.does,
    }


def _question(lesson: Lesson) -> dict[str, object]:
    """What is asked, with its answers; an empty question where nothing is."""
    if lesson.step is not Step.CHOOSING or lesson.choosing is None:
        return {"question": "", "answers": []}
    asked, answers, amounts = lesson.choosing.question
    return {
        "question": asked,
        "answers": [[words, bool(amounts) and amounts[n]] for n, words in enumerate(answers)],
    }
