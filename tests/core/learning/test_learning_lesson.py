"""A whole lesson without links: movements and lines in, an entry out. Pure."""

from __future__ import annotations

import pytest
from learning_hands import (
    BOX,
    PAGE,
    Said,
    Taught,
    clicks,
    controls,
    study,
    sweep,
)

from bridge.learning.lesson import Step
from bridge.maps.load import parse_map
from bridge.wire import midi_encode as say
from bridge.wire import osc

FADER = controls(7, sweep(127, most=2))


def tap(number: int = 60) -> Said:
    return [say.note(1, number, 100), say.note(1, number, 0)]


def tapped(taught: Taught, number: int = 60) -> None:
    for _ in range(3):
        taught.hear(tap(number), gap_s=0.1, still_s=0.6)
    taught.hear([], still_s=1.5)


def test_a_fader_is_learned_with_three_lines() -> None:
    taught = Taught()
    taught.hear(FADER)
    assert taught.has("says where it stands: controller 7 on MIDI channel 1, 7 bit (certain).")
    taught.type("send level accordion")
    assert taught.step is Step.TRYING
    taught.type("write")
    assert taught.step is Step.DONE
    last = parse_map(taught.text, "box.toml").midi[-1]
    assert (last.parameter, last.channel, last.bus) == ("send level", "accordion", 1)
    assert last.law is not None and last.takeover == "pickup"
    taught.type("quit")
    assert taught.step is Step.LEFT


def test_questions_are_asked_one_by_one_and_only_where_there_is_a_choice() -> None:
    taught = Taught()
    taught.hear(FADER)
    assert taught.has("What shall it move?")
    asked = taught.type("send level")
    assert asked[0] == "Which channel?" and "  1. voice (Voice)" in asked
    taught.type("Voice")  # by its label; the one bus of these hands is not asked for
    assert taught.step is Step.TRYING and taught.has('    channel = "voice"')


def test_only_what_the_rig_gives_these_hands_is_offered() -> None:
    ines = Taught()
    ines.hear(FADER)
    offered = "\n".join(ines.said)
    assert "send level" in offered and "group" in offered
    assert "channel fader" not in offered and "sound level" not in offered
    assert ines.type("channel fader")[0].startswith("found 'channel fader', expected")
    ruth = Taught(1)
    ruth.hear(FADER)
    assert "channel fader" in "\n".join(ruth.said)
    asked = ruth.type("bus master")
    assert "  1. front" in asked and "  2. kit (Ines)" in asked


def test_the_top_of_a_learned_travel_is_the_ceiling_of_these_hands() -> None:
    taught = Taught()
    taught.hear(FADER)
    taught.type("send level voice")
    assert taught.has("    law = { from_db = -60.0, to_db = -3.0, off_at_bottom = true }")


def test_law_and_takeover_are_those_that_the_map_has_for_the_parameter() -> None:
    taught = Taught(2, PAGE)
    taught.hear([(osc.encode("/my/5/x", "f", (v / 127,)),) for v in sweep(127, most=2)])
    taught.type("send level voice kit")
    assert taught.has("    law = { from_db = -60.0, to_db = 0.0, off_at_bottom = true }")


def test_the_live_trial_shows_what_would_be_set_and_writes_nothing() -> None:
    taught = Taught()
    taught.hear(FADER)
    taught.type("send level voice")
    before = len(taught.said)
    taught.hear(controls(7, [0, 64, 127]), gap_s=0.2)
    said = taught.said[before:]
    assert said[0] == "  would move send level of Voice in Ines to off (position 0.000)"
    assert said[-1] == "  would move send level of Voice in Ines to -3.0 dB (position 1.000)"
    assert taught.text == BOX


def test_a_flood_in_the_trial_is_told_ten_times_a_second_and_the_last_word_is_told() -> None:
    taught = Taught()
    taught.hear(FADER)
    taught.type("send level voice")
    before = len(taught.said)
    taught.hear(controls(7, [*range(127)] * 20 + [127]), gap_s=0.0005)
    said = taught.said[before:]
    assert len(said) < 20 and "-3.0 dB (position 1.000)" in said[-1]


def test_another_control_of_the_map_is_named_in_the_trial() -> None:
    taught = Taught()
    taught.hear(FADER)
    taught.type("send level voice")
    taught.hear(controls(20, [64]))
    assert taught.has("(that is another control of this map: big knob)")


@pytest.mark.parametrize(
    ("action", "line"),
    [("toggle", 'action = "toggle"'), ("momentary", 'action = "momentary"'), ("set 0", "to = 0.0")],
)
def test_a_button_can_toggle_hold_or_set(action: str, line: str) -> None:
    taught = Taught()
    tapped(taught)
    taught.type(f"send on voice {action}")
    assert taught.has(f"    {line}") and taught.step is Step.TRYING


def test_a_button_steps_a_level_by_what_was_said() -> None:
    taught = Taught()
    tapped(taught)
    taught.type("bus master", "step -3")
    assert taught.has("    step_db = -3.0")
    before = len(taught.said)
    taught.hear(tap())
    assert taught.said[before:] == ["  would move bus master of Ines down by 3 dB"]


def test_what_is_unsure_asks_for_a_movement_and_then_goes_on() -> None:
    taught = Taught()
    taught.hear(controls(16, [0x41] * 8))
    assert taught.has("To be surer: Once more, slowly, and only up")
    assert taught.step is Step.WATCHING
    taught.hear(controls(16, [0x41] * 8))
    assert taught.has("binary offset (likely)") and taught.step is Step.CHOOSING


def test_a_question_is_not_asked_for_ever() -> None:
    taught = Taught()
    for _ in range(8):
        taught.hear(controls(7, [63, 64] * 10))
    assert taught.step is Step.CHOOSING


def test_enter_ends_a_movement_and_takes_the_first_finding() -> None:
    taught = Taught()
    taught.hear(controls(16, [0x41] * 8), still_s=0.0)
    taught.type("")
    assert taught.has("To be surer")
    taught.type("")
    assert taught.step is Step.CHOOSING


def test_another_finding_can_be_chosen_by_its_number() -> None:
    taught = Taught()
    taught.hear(controls(16, [1] * 8))
    listed = [line for line in taught.said if "sign magnitude" in line]
    assert listed
    number = listed[0].split(".")[0].strip() if listed[0].strip()[0].isdigit() else "1"
    taught.type(f"is {number}", "bus master")
    assert taught.has('    relative = "sign magnitude"')
    assert taught.type("is 99")[0] == "is: found '99', expected 1 to 4" or taught.has(
        "expected 1 to"
    )


def test_a_knob_moves_by_clicks_and_backwards_ones_by_negative_clicks() -> None:
    taught = Taught()
    taught.hear(clicks("binary offset", [1] * 6 + [-1] * 6))
    taught.type("bus master")
    assert taught.step is Step.TRYING and taught.has("    step_db = 0.5")
    before = len(taught.said)
    taught.hear(clicks("binary offset", [2]))
    assert taught.said[before:] == ["  would move bus master of Ines up by 1 dB"]


def test_keys_can_be_changed_and_what_cannot_be_is_said_with_its_place() -> None:
    taught = Taught()
    taught.hear(FADER)
    taught.type("send level voice", "change takeover jump", "change label left fader")
    assert taught.has('    takeover = "jump"') and taught.has('    label = "left fader"')
    said = taught.type("change takeover gently")
    assert any("takeover" in line and "gently" in line for line in said)
    assert any("stays as it was" in line for line in said)
    assert taught.type("change number 8")[0].startswith("change: found 'number 8'")
    taught.type("change range 2,125", "write")
    last = parse_map(taught.text, "box.toml").midi[-1]
    assert (last.range, last.takeover, last.label) == ((2, 125), "jump", "left fader")


def test_what_no_map_can_describe_is_said_and_the_lesson_goes_on() -> None:
    taught = Taught()
    taught.hear([(b"\xa0\x3c\x40",)])
    assert taught.step is Step.WATCHING
    taught.type("")
    assert not taught.has("What shall it move?")
    taught.hear(FADER)
    assert taught.step is Step.CHOOSING


def test_a_sign_of_life_that_means_nothing_is_told_once() -> None:
    taught = Taught()
    for _ in range(3):
        taught.hear([(b"\xf0\x7d\x01\x20\xf7",)])
    assert sum("no control that" in line for line in taught.said) == 1
    taught.hear(FADER)
    assert taught.step is Step.CHOOSING


def test_a_control_with_nothing_to_move_for_these_hands_is_said_so() -> None:
    what = study()
    what._spots = {parameter: [] for parameter in what._spots}
    taught = Taught(what=what)
    taught.hear(FADER)
    assert taught.has("The rig gives Ines nothing that this control could move.")


def test_after_one_control_comes_another_on_top_of_the_first() -> None:
    taught = Taught()
    taught.hear(FADER)
    taught.type("send level voice", "write", "again")
    assert taught.step is Step.WATCHING
    tapped(taught)
    taught.type("send on voice toggle", "write")
    assert len(parse_map(taught.text, "box.toml").midi) == 4


def test_a_flood_that_never_ends_is_cut_off_after_twenty_seconds() -> None:
    taught = Taught()
    places = sweep(127, most=3)
    taught.hear(controls(7, places * 40), gap_s=0.005, still_s=0.0)
    assert taught.step is Step.CHOOSING


def test_a_flooding_control_that_repeats_one_word_after_the_movement_is_still() -> None:
    taught = Taught()
    taught.hear(FADER, gap_s=0.01, still_s=0.0)
    taught.hear(controls(7, [0] * 1000), gap_s=0.002, still_s=0.0)
    assert taught.step is Step.CHOOSING and taught.has("messages a second")


@pytest.mark.parametrize("line", ["write", "change law x", "entry", "back", "is 1", "", "go", "7"])
def test_lines_before_anything_was_heard_do_nothing(line: str) -> None:
    taught = Taught()
    assert taught.type(line)
    assert taught.step is Step.WATCHING and taught.text == BOX


def test_every_step_has_its_help() -> None:
    taught = Taught()
    assert any("write" in line for line in taught.type("help"))


# -- what the map has already, and ends that were not reached ------------------------------------


def test_a_control_that_the_map_has_already_is_said_so_before_any_question() -> None:
    taught = Taught()
    taught.hear(controls(20, sweep(127, most=2)))
    (told,) = [line for line in taught.said if "has it already" in line]
    assert "bus master of Ines (big knob)" in told
    assert taught.said.index(told) < taught.said.index("What shall it move?")
    taught.type("again")
    taught.hear(FADER)
    assert sum("has it already" in line for line in taught.said) == 1


def test_what_was_no_control_is_not_told_of_the_next_one() -> None:
    system = (
        '\n[[midi]]\nparameter = "bus master"\nbus = 1\nmessage = "sysex"\n'
        'template = "F0 7D 01 {value} F7"\nlaw = "40 log10"\ntakeover = "scaled"\n'
    )
    taught = Taught(text=BOX + system)
    taught.hear([(b"\xf0\x7d\x01\x20\xf7",)])
    assert taught.has("no control that a map can describe")
    taught.hear(FADER)
    assert taught.step is Step.CHOOSING and not taught.has("has it already")


def test_a_control_that_was_just_written_is_known_in_the_next_lesson() -> None:
    taught = Taught()
    taught.hear(FADER)
    taught.type("send level voice", "write", "again")
    taught.hear(FADER)
    assert taught.has("it moves send level of Voice in Ines.")


@pytest.mark.parametrize(
    ("low", "top", "advice"),
    [
        (0, 127, ""),
        (3, 127, "change dead_zone 0.03"),
        (3, 121, "change dead_zone 0.06"),
        (0, 90, "change range 0,90"),
        (60, 100, ""),
    ],
)
def test_a_pedal_that_did_not_reach_its_ends_is_offered_what_makes_them_count(
    low: int, top: int, advice: str
) -> None:
    taught = Taught()
    taught.hear(controls(7, sweep(top, most=2, low=low)))
    if taught.step is Step.WATCHING:
        taught.type("")
    said = "\n".join(taught.type("send level voice"))
    assert ("its ends count" in said) == bool(advice) and advice in said
    if advice:
        taught.type(advice)
        before = len(taught.said)
        taught.hear(controls(7, [low, top]), gap_s=0.5)
        said = "\n".join(taught.said[before:])
        assert "to off (position 0.000)" in said and "to -3.0 dB (position 1.000)" in said
        taught.type("write")
        assert taught.step is Step.DONE


def test_a_pan_has_no_dead_zone_and_is_offered_its_range() -> None:
    taught = Taught()
    taught.hear(controls(7, sweep(121, most=2, low=3)))
    assert "change range 3,121" in "\n".join(taught.type("send pan voice"))


def test_a_rig_without_presets_offers_none() -> None:
    taught = Taught()
    tapped(taught)
    assert taught.has("bus dim") and not any("preset" in line for line in taught.said)


def test_a_trial_understands_bundles() -> None:
    taught = Taught(2, PAGE)

    def bundled(value: float) -> tuple[bytes, ...]:
        return (osc.bundle(osc.IMMEDIATELY, [osc.encode("/x", "f", (value,))]),)

    taught.hear([bundled(place / 127) for place in sweep(127, most=2)])
    taught.type("send level voice kit")
    taught.hear([bundled(1.0)])
    assert taught.has("(position 1.000)")


def test_whoever_leaves_while_it_is_written_has_left() -> None:
    taught = Taught()
    taught.hear(FADER)
    taught.type("send level voice")
    taught.lesson.line("write")
    assert taught.step is Step.WRITING
    taught.lesson.step = Step.LEFT
    taught.lesson.written("box.toml")
    assert taught.step is Step.LEFT and taught.has("Written to box.toml.")
