"""What a lesson tells the person at the control, one clear line a step. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.learning.finding import SURE_WORDS, Ask, Finding

MOVE = (
    "Move one control and no other: a fader or knob slowly up and then back down, as far as it "
    "goes; a button three short presses. Then leave it alone."
)

ASKS = {
    Ask.UP: "Once more, slowly, and only up (clockwise, away from you); a button: three presses.",
    Ask.DOWN: "Once more, slowly, and only down (anticlockwise, towards you).",
    Ask.HOLD: "Press it once, hold it for two seconds, and let it go.",
    Ask.FARTHER: "Once more, slowly, and as far as it goes both ways.",
    Ask.AGAIN: "Once more: a knob slowly up and down, a button three short presses.",
}

HELP = (
    "NUMBER or name      the answer to the question; `send level voice kit` answers three at once",
    "Enter               the movement is over; or: the first of what is offered",
    "is NUMBER           it is another of the controls that were listed",
    "change KEY VALUE    set a key of the entry otherwise: `change step_db -0.5`",
    "write               put the entry into the map file",
    "back                another thing for this control to do",
    "again               forget it and move a control",
    "entry               show the entry once more",
    "quit                leave; what was not written is gone",
    "Nothing here moves the mix: the console is not even opened. Stop a bridge that has this "
    "controller's port before you begin, and start it again afterwards.",
)


def greeting(controller: str, person: str, shared: Sequence[str]) -> list[str]:
    """The first lines."""
    lines = [f"Learning a control of {controller} for {person}. `help` lists the words."]
    if shared:
        lines.append(f"Its map is used by {', '.join(shared)} too: they get the entry as well.")
    return lines


def found(findings: Sequence[Finding]) -> list[str]:
    """What it may be, numbered."""
    first, *rest = findings
    lines = [f"This is {first.told} ({SURE_WORDS[first.sure]})."]
    lines += [f"  Note: {note}." for note in first.notes]
    if rest:
        lines.append("It could also be (`is NUMBER`):")
    for number, one in enumerate(rest, start=2):
        notes = f"; {'; '.join(one.notes)}" if one.notes else ""
        lines.append(f"  {number}. {one.told}{notes}")
    return lines


def known(meanings: Sequence[str]) -> list[str]:
    """That a movement has a meaning already."""
    return [
        f"The map has it already: it moves {one}. A message can mean one thing only: take that "
        "entry out of the file first, or move another control."
        for one in meanings
    ]


def further(ask: Ask) -> str:
    """Another movement that would make it surer."""
    return f"To be surer: {ASKS[ask]}"


def choices(question: str, names: Sequence[str]) -> list[str]:
    """A question with its answers, numbered."""
    return [question, *(f"  {number}. {name}" for number, name in enumerate(names, start=1))]


def shown(entry: str) -> list[str]:
    """An entry."""
    return ["The entry:", *(f"    {line}" for line in entry.splitlines())]


TRY = (
    "Move the control: what it would do is shown, and nothing moves. `write` puts it into the "
    "map, `change KEY VALUE` sets a key otherwise, `back` chooses again."
)


IN_FORCE = "It is in force."

NEXT = "A bridge knows it from its next start on. `again` for another control, `quit` to leave."
