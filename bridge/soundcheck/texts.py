"""What the soundcheck tells the person who listens, one clear line a step. Pure."""

from __future__ import annotations

from bridge import units
from bridge.rig.rig import Rig

CAUTIONS = (
    "Before you begin:",
    "- Ears: a ring can be loud and sudden. Nobody's head near a loudspeaker, hearing protection "
    "at hand, everybody on stage told what comes.",
    "- Everything starts low and rises slowly. Keep one hand on the keys: Enter when it rings; "
    "`silence` (or Ctrl-C) takes everything down at once.",
    "- All mixes are closed while you test, in-ears too, and performers' controls are frozen.",
    "- Levels here are in dB below or above unity, not at the ear. Estimates do not replace a "
    "measurement; local rules on sound levels apply, whatever this program allows.",
)

HELP = (
    "Enter or ring [HZ]  it rings (at 2500, or 2.5k, if you know): marked, and down at once",
    "go                  begin with what is offered; after a silence, begin again from low",
    "next, skip          go on to the next microphone or mix",
    "back                one microphone or mix back",
    "again               the same microphone once more, from low",
    "tone HZ             the frequency of the ring that was marked last",
    "silence             everything down at once, in every mix",
    "status              what is up now, and how far",
    "marks               what has been marked, and what to cut",
    "withdraw CH MIX     take a mark out of force (it stays in the file)",
    "quit                everything down; then `restore` brings the mix from before back",
    "help                this",
    "While something rises, any other word takes it down: a slip of the finger never leaves it up.",
)


def pair(rig: Rig, channel: int, bus: int) -> str:
    """A pair as people call it."""
    return f"{rig.channel_label(channel)} in {rig.bus_label(bus)}"


def offered(rig: Rig, bus: int, tested: int, of: int) -> str:
    """A mix before it is tested."""
    return (
        f"Mix {rig.bus_label(bus)}: {tested} of {of} microphones tested. "
        "`go` to test it, `next` for another mix, `quit` to end."
    )


def all_tested() -> str:
    """Nothing is left to do."""
    return "Every microphone has been tested in every mix. `quit` to end, `back` to go over one."


def preparing(rig: Rig, bus: int) -> str:
    """A mix is made ready."""
    return (
        f"Closing every other mix, taking all sends of {rig.bus_label(bus)} off, "
        "bringing its master up with nothing on it."
    )


def waits(rig: Rig, bus: int, what: str) -> str:
    """A mix is not ready yet."""
    return f"{rig.bus_label(bus)} is not ready: {what}. Waiting; `silence` or `quit` at any time."


def ready(rig: Rig, channel: int, bus: int, place: str) -> str:
    """A pair before it rises."""
    return (
        f"{place}: {pair(rig, channel, bus)}, alone. Open microphone, heads away from the "
        "loudspeakers. `go` raises it slowly; Enter at the first ring."
    )


def rising(rig: Rig, channel: int, bus: int, level_db: float) -> str:
    """A pair on its way up."""
    return (
        f"{pair(rig, channel, bus)} rises, now {units.text(level_db)}: listen for a tone that "
        "stays or grows. Enter when it rings, `silence` for everything."
    )


def rang(
    rig: Rig, channel: int, bus: int, *, level_db: float, hz: float | None, margin_db: float
) -> str:
    """A ring that was marked."""
    at = "" if hz is None else f" at {hz:.0f} Hz"
    more = " `tone HZ` if you know where." if hz is None else ""
    return (
        f"Marked: {pair(rig, channel, bus)} rang at {level_db:.1f} dB{at}. It is down by "
        f"{margin_db:.0f} dB and must be quiet now: Enter if it still rings, `next` to go on, "
        f"`again` to repeat.{more}"
    )


def no_level(rig: Rig, channel: int, bus: int) -> str:
    """Something rang that cannot be this pair."""
    return (
        f"Nothing of {pair(rig, channel, bus)} was up yet, so no mark; it is off. If it still "
        "rings, something else does: `silence`."
    )


def clear(rig: Rig, channel: int, bus: int, level_db: float) -> str:
    """A pair that stayed clear."""
    return (
        f"Clear: {pair(rig, channel, bus)} did not ring up to {level_db:.1f} dB, its ceiling now. "
        "It is off. `next` to go on, `again` to repeat."
    )


def older_mark(rig: Rig, channel: int, bus: int) -> str:
    """A pair that stayed clear has a mark from before."""
    return (
        "An older mark stays in force there: `withdraw "
        f"{rig.layout.channels[channel]} {rig.layout.buses[bus]}` if something was moved since."
    )
