"""What a map may not say of turns, dead zones and presses, and the words of it. Pure."""

from __future__ import annotations

import pytest

from bridge.errors import MapError
from bridge.maps.load import parse_map
from bridge.maps.model import Press
from bridge.rig.layout import Parameter

HEAD = '[map]\nname = "test"\nkind = "controller"\n'
TURNS = '[[turn]]\nid = "mix"\n[[turn]]\nid = "me"\n'
NEXT = '[[midi]]\naction = "next turn"\nmessage = "note"\nnumber = 1\n'
PEDAL = (
    '[[midi]]\nparameter = "bus master"\nbus = 1\nmessage = "control change"\nnumber = 11\n'
    'law = "40 log10"\n'
)
SWITCH = (
    '[[midi]]\nparameter = "bus dim"\nbus = 1\nmessage = "note"\nnumber = 2\naction = "toggle"\n'
)
PROGRAM = SWITCH.replace('"note"', '"program change"')
LIGHT = '[[midi]]\nuse = ["show"]\nmessage = "note"\nnumber = 3\n'
PAN = (
    '[[midi]]\nparameter = "send pan"\nbus = 1\nchannel = 1\n'
    'message = "control change"\nnumber = 9\n'
)
BOARD = HEAD + TURNS + NEXT
CONSOLE = (
    '[map]\nname = "test"\nkind = "console"\n[[osc]]\nparameter = "bus mute"\naddress = "/{bus}"\n'
)

FAULTS: list[tuple[str, str]] = [
    # The turns themselves.
    (HEAD + '[[turn]]\nid = "mix"\n' + PEDAL,
     "t.toml:4 turn.0: found one turn, expected two at least, or none"),
    (HEAD + TURNS + '[[turn]]\nid = "mix"\n' + NEXT,
     "t.toml:9 turn.2.id: found 'mix', expected an id that no other turn has"),
    (HEAD + TURNS + PEDAL,
     "t.toml:4 turn.0: found a turn that no control leaves, expected an action that turns here to"),
    (HEAD + TURNS + PEDAL,
     "t.toml:6 turn.1: found a turn that no control comes to, expected an action that turns"),
    (HEAD + TURNS + NEXT.replace('action = "next turn"', 'action = "turn"\nturn = "me"'),
     "t.toml:6 turn.1: found a turn that no control leaves, expected an action that turns here to"),
    (HEAD + TURNS + NEXT.replace("[[midi]]", '[[midi]]\nin_turn = "mix"'),
     "t.toml:6 turn.1: found a turn that no control leaves"),
    (CONSOLE.replace("[[osc]]", TURNS + "[[osc]]"),
     "t.toml:4 turn.0: found a table, expected no [[turn]] in a console's map"),
    (HEAD + "".join(f'[[turn]]\nid = "t{n}"\n' for n in range(33)) + NEXT,
     "t.toml:4 turn: found a list of 33, expected at most 32"),
    (HEAD + '[[turn]]\nid = "Mix down"\n' + NEXT, "t.toml:5 turn.0.id: found 'Mix down'"),
    # What turns.
    (HEAD + NEXT, "t.toml:5 midi.0.action: found 'next turn', expected [[turn]] tables to go arou"),
    (BOARD + SWITCH.replace('"toggle"', '"next turn"'),
     "t.toml:13 midi.1.parameter: found 'bus dim', expected none: this is about the turn"),
    (BOARD + NEXT + 'turn = "me"\n',
     "t.toml:16 midi.1.turn: found 'me', expected none: next turn goes around"),
    (BOARD + NEXT.replace("next turn", "turn"),
     "t.toml:12 midi.1.turn: found nothing, expected the id of a [[turn]]"),
    (BOARD + NEXT.replace("next turn", "turn") + 'turn = "you"\n',
     "t.toml:16 midi.1.turn: found 'you', expected one of me, mix"),
    (BOARD + NEXT + "bus = 1\n", "t.toml:16 midi.1.bus: found 1, expected none for a turn"),
    (BOARD + NEXT.replace("next turn", "absolute") + 'turn = "me"\n',
     "t.toml:13 midi.1.action: found 'absolute', expected turn, or use = [\"show\"]"),
    (BOARD + NEXT.replace('"note"', '"pitch bend"').replace("number = 1\n", ""),
     "t.toml:14 midi.1.message: found 'pitch bend', expected a message that rests at 0 for a pres"),
    (BOARD + '[[midi]]\nmessage = "note"\nnumber = 1\n',
     "t.toml:12 midi.1.parameter: found nothing, expected what the message is about, or a turn"),
    (BOARD + NEXT + 'use = ["move", "show"]\n',
     "t.toml:16 midi.1.use: found 'show', expected an entry of its own that shows a turn"),
    (BOARD + SWITCH + 'turn = "me"\n', "t.toml:13 midi.1.parameter: found 'bus dim', expected non"),
    # Who speaks when.
    (BOARD + PEDAL + 'in_turn = "you"\n',
     "t.toml:18 midi.1.in_turn: found 'you', expected one of me, mix"),
    (HEAD + PEDAL + 'in_turn = "mix"\n',
     "t.toml:10 midi.0.in_turn: found 'mix', expected a [[turn]] with this id"),
    (BOARD + PEDAL + 'in_turn = "me"\ntakeover = "jump"\n',
     "t.toml:19 midi.1.takeover: found 'jump', expected pickup or scaled: it stands elsewhere whe"),
    (BOARD + PAN + 'in_turn = "me"\n',
     "t.toml:18 midi.1.in_turn: found 'me', expected no pan: nothing takes it over, so it would j"),
    (CONSOLE + 'in_turn = "mix"\n',
     "t.toml:7 osc.0.in_turn: found 'mix', expected no such key in a console's map"),
    # Lights.
    (BOARD + LIGHT + 'turn = "you"\n',
     "t.toml:16 midi.1.turn: found 'you', expected one of me, mix"),
    (BOARD + LIGHT, "t.toml:12 midi.1.parameter: found nothing, expected what the message is abou"),
    (HEAD + PEDAL + LIGHT + 'turn = "*"\n',
     "t.toml:14 midi.1.turn: found '*', expected a [[turn]] with this id"),
    (BOARD + NEXT.replace("next turn", "turn") + 'turn = "*"\n',
     "t.toml:16 midi.1.turn: found '*', expected use = [\"show\"], or the id of one turn"),
    (CONSOLE + 'turn = "*"\n',
     "t.toml:7 osc.0.turn: found '*', expected no such key in a console's map"),
    # A message that cannot say so many turns: a switch of T and F.
    (HEAD + TURNS + '[[osc]]\naddress = "/a"\ntype = "none"\naction = "next turn"\n'
     '[[osc]]\naddress = "/b"\ntype = "T"\nturn = "*"\nuse = ["show"]\n',
     "t.toml:14 osc.1.type: found truth, expected a number or a text for a display"),
    # Dead zones.
    (HEAD + PEDAL + "dead_zone = 0.3\n",
     "t.toml:10 midi.0.dead_zone: found 0.3, expected less than or equal to 0.25"),
    (HEAD + PEDAL + "dead_zone = -0.1\n", "t.toml:10 midi.0.dead_zone: found -0.1, expected great"),
    (HEAD + PEDAL + "dead_zone = nan\n", "t.toml:10 midi.0.dead_zone: found nan"),
    (HEAD + SWITCH + "dead_zone = 0.1\n",
     "t.toml:10 midi.0.dead_zone: found 0.1, expected none: this is no absolute control of a leve"),
    (HEAD + PAN + "dead_zone = 0.1\n", "t.toml:10 midi.0.dead_zone: found 0.1, expected none: thi"),
    (BOARD + NEXT + "dead_zone = 0.1\n", "t.toml:16 midi.1.dead_zone: found 0.1, expected none: t"),
    (HEAD + PEDAL.replace('law = "40 log10"', 'action = "relative"\nstep_db = 1')
     + "dead_zone = 0.1\n",
     "t.toml:11 midi.0.dead_zone: found 0.1, expected none: this is no absolute control of a leve"),
    (HEAD + '[[osc]]\nparameter = "bus master"\nbus = 1\naddress = "/m"\ndead_zone = 0.1\n',
     "t.toml:8 osc.0.dead_zone: found 0.1, expected a law: only a travel has ends"),
    (CONSOLE + "dead_zone = 0.1\n",
     "t.toml:7 osc.0.dead_zone: found 0.1, expected no such key in a console's map"),
    # Long and double presses.
    (HEAD + SWITCH + 'double_press = { parameter = "bus mute", within_s = 0.05 }\n',
     "t.toml:10 midi.0.double_press.within_s: found 0.05, expected greater than or equal to 0.1"),
    (HEAD + SWITCH + 'double_press = { parameter = "bus mute", within_s = 3 }\n',
     "t.toml:10 midi.0.double_press.within_s: found 3, expected less than or equal to 2"),
    (HEAD + SWITCH + 'double_press = { parameter = "bus master" }\n',
     "t.toml:10 midi.0.double_press: found 'toggle', expected another action for a level"),
    (HEAD + SWITCH + 'double_press = { parameter = "bus master", action = "step" }\n',
     "t.toml:10 midi.0.double_press: found 0.0, expected step_db: dB a click or a press, not 0"),
    (HEAD + SWITCH + 'double_press = { parameter = "send on" }\n',
     "t.toml:10 midi.0.double_press: found no channel, expected which channel the send on is of"),
    (HEAD + SWITCH + "double_press = {}\n",
     "t.toml:10 midi.0.double_press: found nothing, expected parameter: what it moves, or an acti"),
    (HEAD + SWITCH + 'double_press = { parameter = "bus mute", turn = "me" }\n',
     "t.toml:10 midi.0.double_press: found 'me', expected turn: none: the action does not turn"),
    (HEAD + SWITCH + 'double_press = { action = "next turn" }\n',
     "t.toml:10 midi.0.double_press: found 'next turn', expected action: [[turn]] tables to go ar"),
    (BOARD + SWITCH + 'long_press = { parameter = "bus mute", action = "next turn" }\n',
     "t.toml:18 midi.1.long_press: found 'bus mute', expected parameter: none: the action turns"),
    (BOARD + SWITCH + 'long_press = { action = "turn", turn = "you" }\n',
     "t.toml:18 midi.1.long_press: found 'you', expected turn: one of me, mix"),
    (HEAD + SWITCH.replace("toggle", "momentary") + 'double_press = { parameter = "bus mute" }\n',
     "t.toml:10 midi.0.double_press: found a table, expected a toggle, set, step or turn"),
    (HEAD + SWITCH + 'releases = false\nlong_press = { parameter = "bus mute" }\n',
     "t.toml:11 midi.0.long_press: found a table, expected a toggle, set or step that has a relea"),
    (HEAD + PROGRAM + 'long_press = { parameter = "bus mute" }\n',
     "t.toml:10 midi.0.long_press: found a table, expected a toggle, set or step that has a relea"),
    (CONSOLE + 'double_press = { parameter = "bus mute" }\n',
     "t.toml:7 osc.0.double_press: found"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "said"), FAULTS, ids=[said[7:60] for _, said in FAULTS])
def test_a_map_that_says_what_cannot_be_is_told_where_and_what_was_expected(
    text: str, said: str
) -> None:
    with pytest.raises(MapError) as caught:
        parse_map(text, "t.toml")
    faults = [str(fault) for fault in caught.value.faults]
    assert any(fault.startswith(said) for fault in faults), "\n".join(faults)


def test_what_is_right_in_all_this_has_no_fault() -> None:
    text = BOARD + PEDAL + 'dead_zone = 0.25\nin_turn = "me"\ntakeover = "scaled"\n'
    text += SWITCH + 'long_press = { action = "previous turn" }\n'
    text += PROGRAM + 'double_press = { action = "turn", turn = "mix" }\n'
    text += LIGHT + 'turn = "*"\nin_turn = "me"\n'
    map_file = parse_map(text, "t.toml")
    assert [one.id for one in map_file.turn] == ["mix", "me"]
    entry = map_file.midi[1]
    assert (entry.dead_zone, entry.in_turn) == (0.25, "me")
    assert map_file.midi[3].double_press is not None
    assert map_file.midi[3].double_press.within_s == 0.35


def test_a_press_may_do_whatever_a_short_action_does() -> None:
    press = Press(parameter=Parameter.BUS_MASTER, action="set", to=-20.0)
    assert (press.action, press.to, press.turn) == ("set", -20.0, None)


def test_a_turn_that_only_a_long_press_reaches_is_reached() -> None:
    text = HEAD + TURNS + SWITCH + 'long_press = { action = "next turn" }\n'
    assert len(parse_map(text, "t.toml").turn) == 2
