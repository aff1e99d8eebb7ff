"""Whole soundchecks: what the ears hear in the stand-in's air is what the marks say."""

from __future__ import annotations

import functools
import math

import numpy as np
import pytest
from sound_stage import ACCORDION, FRONT, KIT, VOICE
from sound_whole import ANSWERS, LOOK_S, LOUD, Evening

from bridge.soundcheck.marks import Book
from bridge.soundcheck.plan import done_pairs
from bridge.soundcheck.rise import RATE_DB_PER_S, STEP_DB
from bridge.soundcheck.states import State

CONSOLES = {
    "osc": {},
    "osc that loses packets": {"loss": 0.05},
    "osc that cannot be read": {"readback": False, "loss": 0.05},
    "midi, 7 bit": {"console": "console-midi-7bit.toml", "readback": False, "midi": True},
    "midi, 14 bit": {"console": "console-midi-nrpn.toml", "midi": True},
}
COARSE_DB = {"midi, 7 bit": 1.5}


@functools.cache
def held(name: str) -> tuple[Evening, bool]:
    """One whole soundcheck at a kind of console, looked at from several sides."""
    evening = Evening(**CONSOLES[name])
    return evening, evening.run()


@pytest.mark.parametrize("name", CONSOLES)
def test_the_marks_are_the_levels_at_which_the_air_rings(name: str) -> None:
    evening, well = held(name)
    assert well, evening.texts[-5:]
    layout = evening.rig.layout
    found = {
        (layout.channels.index(channel), layout.buses.index(bus)): mark
        for (channel, bus), mark in evening.session.book.in_force().items()
    }
    fine = name not in COARSE_DB  # a coarse scale ends below the ring of the drummer's wedge
    assert set(found) == {(ACCORDION, FRONT), (VOICE, FRONT)} | ({(VOICE, KIT)} if fine else set())
    for pair, mark in found.items():
        true_db, hz = evening.air.ring_level_db(*pair)
        late_db = RATE_DB_PER_S * LOOK_S + STEP_DB
        coarse_db = COARSE_DB.get(name, 0.0)
        assert true_db - STEP_DB - late_db - coarse_db <= mark.level_db <= true_db + STEP_DB
        assert mark.frequency_hz == pytest.approx(hz, abs=1.0)
        assert mark.by == "Ruth"
    for clear in evening.session.book.clears:
        pair = layout.channels.index(clear.channel), layout.buses.index(clear.bus)
        assert pair not in found and clear.clear_to_db < evening.ring_db(*pair)
    assert len(evening.kept) == 4, "every mark and clear note has reached the file"
    assert len(done_pairs(evening.session.book, evening.rig)) == 4


def test_a_mark_of_a_wide_mix_holds_wherever_the_pans_stand_later() -> None:
    left = LOUD.replace('id = "wedge-front"', 'id = "wedge-left"\nside = "left"')
    right = left[left.index('[[loudspeaker]]\nid = "wedge-left"') :]
    right = right.replace("left", "right").replace("[0.0, -1.2, 0.3]", "[5.0, -2.0, 0.3]")
    right = right.replace("= 125", "= 95")  # hardly heard: all the sound is on the left
    text = (left + right).replace('id = "front"', 'id = "front"\nwidth = "stereo"')
    evening = Evening(text=text)
    evening.pan = 0.9  # far from the wedge that is near
    assert evening.run()
    marks = evening.session.book.in_force()
    for channel, name in ((ACCORDION, "accordion"), (VOICE, "voice")):
        levels = np.full(evening.air.shape, -math.inf)
        levels[channel, FRONT] = marks[name, "front"].level_db
        least = min(
            evening.air.reserve_db(levels, np.full(levels.shape, pan))[0]
            for pan in (-1.0, -0.5, 0.0, 0.5, 1.0)
        )
        assert -STEP_DB < least < 2.0, "it rings nowhere, and is not kept low for nothing"


@pytest.mark.parametrize("name", CONSOLES)
def test_the_witness_finds_no_breach_in_a_soundcheck(name: str) -> None:
    evening, _ = held(name)
    findings = evening.findings()
    assert findings.ok, findings.text()
    assert evening.loudest_db() <= -60.0, "and it leaves everything down"


@pytest.mark.parametrize(
    "at", ["`go` to test it", "Closing every", "`go` raises", " rises,", "Marked:", "Clear:"]
)
@pytest.mark.parametrize("how", ["silence", None, "interrupt"])
def test_silence_and_the_end_of_the_keys_take_everything_down_wherever_it_stands(
    at: str, how: str | None
) -> None:
    answers = tuple((text, word) for text, word in ANSWERS if text != at)
    evening = Evening(answers=answers)
    took: list[float] = []

    def press(text: str) -> None:
        if at not in text or took:
            return
        took.append(evening.loop.time())
        if how == "interrupt":
            evening.loop.call_later(0.5, evening.session.interrupt)
        else:
            evening.loop.call_later(0.5, evening.type, how)
        evening.loop.call_later(0.5 + 0.15, lambda: took.append(evening.loudest_db()))
        if how == "silence":
            evening.loop.call_later(5.0, evening.type, "quit")
            evening.loop.call_later(6.0, evening.type, "quit")

    evening.on_text = press
    assert evening.run(), evening.texts[-5:]
    assert took[1] <= -60.0, "a tenth of a second after the key"
    assert evening.session.procedure.state is State.LEFT
    assert evening.loudest_db() <= -60.0 and evening.session.desk.silenced
    if how != "silence":
        assert evening.loop.time() < took[0] + 6.0, "and it ends"


def test_a_soundcheck_that_was_left_goes_on_where_it_stood() -> None:
    first = Evening(answers=tuple(
        (text, None if text == "Marked:" else word) for text, word in ANSWERS))  # fmt: skip
    first.run()
    assert len(first.session.book.marks) == 1
    second = Evening(book=first.session.book)
    second.run()
    assert any(text.startswith("Resuming with marks") for text in second.texts)
    tested = [(m.channel, m.bus) for m in second.session.book.marks]
    assert len(tested) == len(set(tested)) == 3, "none was tested twice"


def test_a_mark_binds_in_the_engine_from_the_moment_it_is_made() -> None:
    evening = Evening()
    binding = []

    def look(text: str) -> None:
        stage = evening.session.daemon.house.engine.stage
        if text.startswith("`help`") or "raises it" in text:
            assert stage is not None
            binding.append(len(stage.marks))

    evening.on_text = look
    evening.run()
    assert binding == [0, 0, 0, 1, 2]


def test_a_mark_that_the_disk_does_not_take_is_kept_and_tried_again() -> None:
    evening = Evening()
    evening.fails = 1
    assert evening.run()
    assert any(text.startswith("Not stored yet") for text in evening.texts)
    book = Book("marks")
    for edit in evening.kept:
        book = edit(book)
    assert book.marks == evening.session.book.marks and len(book.marks) == 3


def test_what_cannot_be_stored_at_all_is_shown_to_be_copied() -> None:
    evening = Evening()
    evening.fails = 1000
    assert not evening.run()
    assert evening.session.book.text in evening.texts


def test_a_console_that_is_lost_holds_the_soundcheck_until_it_is_back_and_go_is_said() -> None:
    evening = Evening()
    loud: list[float] = []

    def pull(text: str) -> None:
        if " rises, now -2" in text and not loud:
            loud.append(0.0)
            evening.cable.bridge_end.pull()
            evening.loop.call_later(8.0, evening.cable.bridge_end.plug)
            for later_s in (12.0, 20.0):
                evening.loop.call_later(later_s, lambda: loud.append(evening.loudest_db()))
            evening.loop.call_later(21.0, evening.type, "go")

    evening.on_text = pull
    assert evening.run(), evening.texts[-8:]
    assert "The console does not answer" in " ".join(evening.texts)
    assert loud[1:] == [-math.inf, -math.inf]
    assert len(evening.session.book.marks) == 3, "and then it goes on to the end"


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("status", "ready to raise: accordion in Ines, now off; 0 of 4 pairs tested"),
        ("marks", "Marks in marks: 0 in force."),
        ("help", "withdraw CH MIX     take a mark out of force (it stays in the file)"),
        ("withdraw voice kit", "marks: found no mark in force for voice/kit, expected a pair"),
        ("withdraw voice", "withdraw wants two names: `withdraw CHANNEL MIX`"),
        ("blow", "'blow' is no word here; `help` lists them"),
        ("tone", "tone wants a frequency: `tone 2500`"),
    ],
)
def test_a_line_is_answered_in_words(line: str, told: str) -> None:
    answers = tuple((t, line if t == "`go` raises it" else w) for t, w in ANSWERS)
    evening = Evening(answers=(*answers, (told[:20], None)))
    evening.run()
    assert any(told in text for text in evening.texts), evening.texts


@pytest.mark.parametrize("line", ["help", "marks", "blow", "withdraw voice kit", "ring abc"])
def test_while_it_rises_any_line_but_status_takes_it_down(line: str) -> None:
    evening = Evening()
    levels: list[float] = []

    def slip(text: str) -> None:
        if " rises, now -2" in text and not levels:
            levels.append(0.0)
            evening.type(line)
            evening.loop.call_later(0.15, lambda: levels.append(evening.loudest_db()))
            evening.loop.call_later(0.2, evening.type, None)

    evening.on_text = slip
    evening.run()
    ringing = line.startswith("ring")
    assert levels[1] == -math.inf or (ringing and levels[1] < -24.0)


def test_status_while_it_rises_leaves_it_rising() -> None:
    evening = Evening()
    said: list[str] = []

    def ask(text: str) -> None:
        if " rises, now -2" in text and not said:
            evening.type("status")
        if text.startswith("rising: "):
            said.append(text)

    evening.on_text = ask
    evening.run()
    assert "voice in Ines" in said[0] or "accordion in Ines" in said[0]
    assert len(evening.session.book.marks) == 3
