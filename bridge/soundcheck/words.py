"""What each word does in each state of a soundcheck, and the table that says so. Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from bridge.soundcheck import texts
from bridge.soundcheck.parts import REMIND_S, Parts
from bridge.soundcheck.rise import Rise, working_db
from bridge.soundcheck.states import Finding, Said, State, Word
from bridge.units import OFF

LEAST_DB = -50.0
"""Whatever rings below this effective level is something else: no loudspeaker brings 50 dB more
into a microphone than it was given, and a key pressed at the very start must leave no mark."""

SPARE_DB = 0.1
"""A pair falls by so much more than the margin: standing right at the limit, rounding alone would
take it past."""


def silence(parts: Parts, said: Said) -> State:
    """Everything down, whatever the state; only ``go`` begins again."""
    parts.down(said.now_s)
    parts.press_silence(said.now_s)
    if parts.state in (State.WAITING, State.LEFT):
        return parts.state
    parts.say("Silence: every mix is off. `go` begins again from low, `quit` ends.")
    return State.HELD


def leave(parts: Parts, said: Said) -> State:
    """Everything that the soundcheck raised goes down."""
    parts.down(said.now_s)
    if not parts.begun:
        return State.LEFT
    parts.close(said.now_s)
    parts.say("Everything is down and every mix closed. `restore` brings the mix from before "
              "back by the ordinary ramps, `quit` ends like this, `go` goes on.")  # fmt: skip
    return State.LEAVING


def end(parts: Parts, said: Said) -> State:
    """End with everything down."""
    parts.down(said.now_s)
    parts.before.unfreeze(said.now_s)
    return State.LEFT


def restore(parts: Parts, said: Said) -> State:
    """The mix from before, by the ordinary ramps and below the marks."""
    parts.owed_silence = False
    parts.before.restore(parts.marks, parts.plan.margin_db, said.now_s)
    parts.say("The mix from before comes back; `silence` stops it, `quit` ends at once.")
    return State.RESTORING


def reopen(parts: Parts, said: Said) -> State:
    """Begin again from low: everything closed first, then the silence is lifted."""
    if parts.desk.lost or not parts.desk.running:
        parts.say("The console does not answer yet.")
        return State.HELD
    parts.begin()
    parts.owed_silence = False
    parts.close(said.now_s)
    parts.wish(parts.desk.matrix.silence, 0.0, said.now_s)
    return parts.choose()


def prepare(parts: Parts, said: Said) -> State:
    """Take everything down, then bring the master of this mix up with nothing on it."""
    m, now_s, bus = parts.desk.matrix, said.now_s, parts.bus
    parts.begin()
    parts.wish(m.group - 1, 1.0, now_s)  # performers' hands off, all of them
    parts.close(now_s, but=bus)
    for slot in m.sends_of_bus(bus):
        parts.wish(slot, OFF, now_s)
    for slot in (m.mute + bus, m.dim + bus):
        parts.wish(slot, 0.0, now_s)
    parts.wish(m.open + bus, 1.0, now_s)
    parts.wish(m.master + bus, working_db(parts.rig, bus), now_s)
    parts.place = next(iter(parts.left(bus)), 0)
    parts.text_s = now_s + REMIND_S
    parts.say(texts.preparing(parts.rig, bus))
    return State.PREPARING


def next_bus(parts: Parts, said: Said) -> State:
    """Offer the mix after this one."""
    return _turn_bus(parts, 1)


def previous_bus(parts: Parts, said: Said) -> State:
    """Offer the mix before this one."""
    return _turn_bus(parts, -1)


def _turn_bus(parts: Parts, by: int) -> State:
    at = parts.buses.index(parts.bus)
    parts.bus = parts.buses[(at + by) % len(parts.buses)]
    return parts.offer()


def drop_bus(parts: Parts, said: Said) -> State:
    """Close the mix again and choose."""
    parts.down(said.now_s)
    parts.close(said.now_s)
    return parts.offer()


def raise_pair(parts: Parts, said: Said) -> State:
    """Begin to raise the pair that is offered."""
    channel, bus = parts.plan.pairs[parts.bus][parts.place], parts.bus
    missing = parts.missing()
    if missing:
        parts.say(f"Not yet: {missing}.")
        return State.READY
    fader_db = parts.desk.fader_db(channel, bus)
    if fader_db is None or fader_db == OFF:
        parts.say(f"{parts.rig.channel_label(channel)} is taken after its fader, which is "
                  "off or not known: bring it to where it will be, then `go`.")  # fmt: skip
        return State.READY
    parts.wish(parts.desk.switch(channel, bus), 1.0, said.now_s)
    if bus in parts.plan.wide:
        parts.wish(parts.desk.pan(channel, bus), 0.0, said.now_s)
    parts.before.keep(parts.desk.send(channel, bus))
    parts.desk.lift(channel, bus)
    parts.rise = Rise(parts.desk, channel, bus, fader_db=fader_db, now_s=said.now_s)
    parts.text_s = said.now_s
    return State.RISING


def ring(parts: Parts, said: Said) -> State:
    """Mark the level, and fall by the margin at once."""
    rise, margin_db = parts.rise, parts.plan.margin_db
    assert rise is not None, "something rises while rising"
    pair = rise.channel, rise.bus
    rise.note(said.now_s)
    level_db = parts.kept_db(rise.level_db(said.began_s), rise.bus)
    rise.back_off(level_db - margin_db - SPARE_DB, said.now_s)
    parts.desk.lower()
    if level_db < LEAST_DB:
        parts.down(said.now_s)
        parts.say(texts.no_level(parts.rig, *pair))
        return State.READY
    parts.found.append(Finding("ring", *pair, level_db, said.hz))
    parts.done.add(pair)
    parts.say(texts.rang(parts.rig, *pair, level_db=level_db, hz=said.hz, margin_db=margin_db))
    return State.RANG


def still(parts: Parts, said: Said) -> State:
    """It rings on though it fell: off, and whatever else rings is not this pair."""
    parts.down(said.now_s)
    parts.say("Off now. If it rings still, it is something else: `silence`.")
    return tone(parts, said) if said.hz is not None else State.RANG


def tone(parts: Parts, said: Said) -> State:
    """Name the frequency of the ring that was just marked."""
    pair = parts.pair
    if said.hz is not None and pair is not None:
        parts.found.append(Finding("tone", *pair, OFF, said.hz))
        parts.say(f"Noted: {said.hz:.0f} Hz.")
    return State.RANG


def slip(parts: Parts, said: Said) -> State:
    """Something else was said while it rises: down, to be safe."""
    return parts.stop(said.now_s, f"`{said.word}` was said while it rose")


def again(parts: Parts, said: Said) -> State:
    """The same pair once more, from low."""
    parts.down(said.now_s)
    return parts.ready()


def next_pair(parts: Parts, said: Said) -> State:
    """The next pair of this mix that has not been tested, or another mix."""
    parts.down(said.now_s)
    later = [place for place in parts.left(parts.bus) if place > parts.place]
    if later:
        parts.place = later[0]
        return parts.ready()
    parts.close(said.now_s)
    at = parts.buses.index(parts.bus)
    parts.bus = parts.buses[(at + 1) % len(parts.buses)]
    return parts.choose()


def pair_before(parts: Parts, said: Said) -> State:
    """The pair before this one, tested or not."""
    if parts.place == 0:
        return drop_bus(parts, said)
    parts.down(said.now_s)
    parts.place -= 1
    return parts.ready()


Act = Callable[[Parts, Said], State]
_TURNS: dict[Word, Act] = {
    Word.NEXT: next_pair,
    Word.BACK: pair_before,
    Word.AGAIN: again,
}
_ALWAYS: dict[Word, Act] = {Word.SILENCE: silence, Word.LEAVE: leave}

TABLE: Mapping[State, Mapping[Word, Act]] = {
    State.WAITING: _ALWAYS,
    State.CHOOSE: {Word.GO: prepare, Word.NEXT: next_bus, Word.BACK: previous_bus, **_ALWAYS},
    State.PREPARING: {Word.BACK: drop_bus, **_ALWAYS},
    State.READY: {Word.GO: raise_pair, **_TURNS, **_ALWAYS},
    State.RISING: {Word.RING: ring, **_TURNS, Word.OTHER: slip, **_ALWAYS},
    State.RANG: {Word.RING: still, Word.TONE: tone, **_TURNS, **_ALWAYS},
    State.CLEAR: {**_TURNS, **_ALWAYS},
    State.HELD: {Word.GO: reopen, **_ALWAYS},
    State.LEAVING: {Word.GO: drop_bus, Word.RESTORE: restore, **_ALWAYS, Word.LEAVE: end},
    State.RESTORING: {**_ALWAYS, Word.LEAVE: end},
    State.LEFT: {Word.SILENCE: silence},
}
"""Words that stand nowhere in a row do nothing but tell what would."""
