"""What a map may not say, and the words in which it is told. Pure."""

from __future__ import annotations

import pytest

from bridge import limits
from bridge.errors import MapError
from bridge.maps.load import parse_map

CONSOLE = '[map]\nname = "test"\nkind = "console"\n'
CONTROLLER = '[map]\nname = "test"\nkind = "controller"\n'
SEND = '[[osc]]\nparameter = "send level"\naddress = "/o/{bus}/i/{channel}"\n'
MUTE = '[[osc]]\nparameter = "bus mute"\naddress = "/o/{bus}/mute"\n'
MASTER = '[[osc]]\nparameter = "bus master"\nbus = 1\naddress = "/m"\n'
SWITCH = '[[osc]]\nparameter = "bus mute"\nbus = 1\naddress = "/m"\n'
PAN = '[[osc]]\nparameter = "send pan"\naddress = "/o/{bus}/i/{channel}"\n'
TAP = '[[osc]]\nparameter = "send tap"\naddress = "/o/{bus}/i/{channel}"\n'
KNOB = '[[midi]]\nparameter = "bus master"\nbus = 1\nmessage = "control change"\n'
SYSEX = '[[midi]]\nparameter = "bus master"\nmessage = "sysex"\nlaw = "40 log10"\n'
BOTH = 'number = 1\nlaw = "40 log10"\n'

FAULTS: list[tuple[str, str]] = [
    # The file as a whole.
    ("[map", "t.toml:1: found Expected ']' at the end of a table declaration, expected TOML 1.0"),
    (CONSOLE, "t.toml:1: found nothing, expected either [[osc]] or [[midi]] entries"),
    (CONSOLE + MUTE + KNOB + BOTH, "t.toml:1: found both, expected either [[osc]] or [[midi]] ent"),
    ('[map]\nname = "a"\n' + MUTE, "t.toml:1 map.kind: found nothing, expected this key"),
    (CONSOLE.replace("console", "desk") + MUTE,
     "t.toml:3 map.kind: found 'desk', expected 'console' or 'controller'"),
    (CONSOLE + "[colour]\n" + MUTE, "t.toml:4 colour: found a table, expected no such key"),
    (CONTROLLER + "[console]\n" + MASTER,
     "t.toml:4 console: found a table, expected no [console] in a controller's map"),
    # The conversation.
    (CONSOLE + '[console]\nprobe = ["/a"]\n' + MUTE,
     "t.toml:4 console.probe_every_s: found nothing, expected probe and probe_every_s together"),
    (CONSOLE + "[console]\nrenew_every_s = 3\n" + MUTE,
     "t.toml:4 console.renew: found nothing, expected renew and renew_every_s together"),
    (CONSOLE + '[console]\nalive = ["/a/{bus}"]\n' + MUTE,
     "t.toml:5 console.alive: found {bus}, expected a message without fields"),
    (CONSOLE + '[console]\nask_all = ["all"]\n' + MUTE,
     "t.toml:5 console.ask_all: found 'all' does not start with /, expected an OSC address"),
    (CONSOLE + '[console]\nask_all = ["F0 7D"]\n' + SYSEX
     + 'template = "F0 7D {bus} {value} F7"\n',
     "t.toml:5 console.ask_all: found sysex template must begin with F0, an id, and end with F7"),
    (CONSOLE + '[console]\nask_all = [{ address = "/a" }]\n' + SYSEX
     + 'template = "F0 7D {bus} {value} F7"\n',
     "t.toml:5 console.ask_all: found a table, expected bytes in hex"),
    (CONSOLE + "[console]\nbytes_per_s = 0\n" + MUTE,
     "t.toml:5 console.bytes_per_s: found 0, expected greater than or equal to 50"),
    # Laws.
    (CONSOLE + SEND + 'law = "fader"\n',
     "t.toml:7 osc.0.law: found 'fader', expected one of 40 log10, 60268-18, or a table"),
    (CONSOLE + "[law.fader]\nfrom_db = 0\nto_db = -60\n" + SEND,
     "t.toml:4 law.fader: found (1, -60) does not rise above (0, 0), expected a law that rises"),
    (CONSOLE + "[law.fader]\nfrom_db = 0\n" + SEND,
     "t.toml:4 law.fader: found something else, expected from_db and to_db, or curve, or points"),
    (CONSOLE + "[law.fader]\ncurve = \"40 log10\"\npoints = [[0, 0], [1, 5]]\n" + SEND,
     "t.toml:4 law.fader: found something else, expected from_db and to_db, or curve, or points"),
    (CONSOLE + "[law.fader]\npoints = [[0, -60], [0.5, 0], [1, 0.2]]\n" + SEND,
     "t.toml:4 law.fader: found [1, 0.2] rises by less than 1 dB for the whole travel, expected"),
    (CONSOLE + "[law.fader]\npoints = [[0, -60]]\n" + SEND,
     "t.toml:4 law.fader: found a table needs two points or more, expected a law that rises"),
    (CONSOLE + SEND + "law = { from_db = -60, to_db = -60.5 }\n",
     "t.toml:7 osc.0.law: found (1, -60.5) does not rise above (0, -60), expected a law that ris"),
    # A console that cannot be told to be quiet.
    (CONSOLE + SEND + "range = [0, 10]\n", "t.toml:4 osc.0.off: found no word quieter than 0.0 dB"),
    (CONSOLE + SEND + "law = { from_db = -59, to_db = 10 }\n",
     "t.toml:7 osc.0.law: found no word quieter than -59.0 dB, expected off, or a lowest level of "
     "-60 dB or less"),
    (CONSOLE + MASTER + "range = [-40, 10]\n",
     "t.toml:4 osc.0.off: found no word quieter than -40.0 dB"),
    (CONSOLE + MASTER.replace('"/m"', '"/m"\ntype = "i"') + "unit_db = 1\nrange = [-20, 10]\n",
     "t.toml:4 osc.0.off: found no word quieter than -20.0 dB"),
    # Addresses and places.
    (CONSOLE + SEND.replace("/o", "o"),
     "t.toml:6 osc.0.address: found 'o/x/i/x' does not start with /, expected an OSC address"),
    (CONSOLE + SEND.replace("/o", "/o*"), "t.toml:6 osc.0.address: found '/o*/x/i/x' has '*'"),
    (CONSOLE + SEND.replace("/o", "/ö"),
     "t.toml:6 osc.0.address: found '/ö/x/i/x' is not printable ASCII"),
    (CONSOLE + SEND.replace("{bus}", "{mix}"),
     "t.toml:6 osc.0.address: found {mix} is no field, expected {channel}, {bus:02}, {channel-1}"),
    (CONSOLE + SEND.replace("{bus}", "{bus:abc}"),
     "t.toml:6 osc.0.address: found {bus:abc} names the list 'abc', expected one of [names]: none"),
    (CONSOLE + SEND.replace("{bus}", "{bus:100}"),
     "t.toml:6 osc.0.address: found {bus:100} asks for 100 digits, expected 1 to 99"),
    (CONSOLE + SEND.replace("{bus}", "{bus"), "t.toml:6 osc.0.address: found {bus/i/ is no field"),
    (CONSOLE + SEND.replace("{bus}", "1"),
     "t.toml:6 osc.0.address: found no {bus}, expected {bus}, or bus = one of them"),
    (CONSOLE + MUTE.replace("{bus}", "{bus}/{channel}"),
     "t.toml:6 osc.0.address: found {channel}, expected no channel: a bus mute has none"),
    (CONSOLE + MUTE + "channel = 1\n",
     "t.toml:7 osc.0.channel: found 1, expected none for a bus mute"),
    (CONSOLE + SEND + "buses = [3, 2]\n",
     "t.toml:7 osc.0.buses: found [3, 2], expected first and last, in that order"),
    (CONSOLE + MUTE + 'before = ["x{bus}"]\n',
     "t.toml:7 osc.0.before: found 'x{bus}', expected a constant or one field, \"{channel}\""),
    (CONSOLE + MUTE + 'after = ["{mix}"]\n', "t.toml:7 osc.0.after: found {mix} is no field, exp"),
    # Values.
    (CONSOLE + SEND + 'type = "i"\n',
     "t.toml:4 osc.0.range: found nothing, expected the numbers at both ends of the travel"),
    (CONSOLE + SEND + 'type = "i"\nrange = [0, 100]\n',
     "t.toml:4 osc.0.law: found nothing, expected a law, or unit_db for a number that counts in"),
    (CONSOLE + SEND + 'law = "40 log10"\nunit_db = 0.1\n',
     "t.toml:8 osc.0.unit_db: found 0.1, expected either a law or unit_db"),
    (CONSOLE + SEND + "unit_db = 0.1\n",
     "t.toml:7 osc.0.unit_db: found 0.1, expected a type of whole number; a float is in dB"),
    (CONSOLE + SEND + 'type = "i"\nunit_db = 0.1\nrange = [0, 99.5]\n',
     "t.toml:9 osc.0.range: found 0 to 99.5 are not whole numbers, expected numbers that can"),
    (CONSOLE + SEND + "range = [10, -80]\n",
     "t.toml:7 osc.0.range: found (1, -80) does not rise above (0, 10), expected lowest and high"),
    (CONSOLE + SEND + 'law = "40 log10"\nrange = [5, 5.1]\n',
     "t.toml:8 osc.0.range: found 5 to 5.1 is too narrow for so large numbers"),
    (CONSOLE + SEND + 'type = "i"\nlaw = "40 log10"\nrange = [0, 99]\noff = 5\n',
     "t.toml:10 osc.0.off: found 5, expected a number that is not inside 0 to 99"),
    (CONSOLE + SEND + 'off = "mute"\n',
     "t.toml:7 osc.0.off: found 'mute', expected the number that says off"),
    (CONSOLE + SEND + 'law = "40 log10"\noff = -inf\n',
     "t.toml:8 osc.0.off: found -inf, expected a number that the message can carry"),
    (CONSOLE + SEND + 'type = "s"\n',
     "t.toml:7 osc.0.type: found text, expected a type of number for a level or pan"),
    (CONSOLE + SEND + 'type = "q"\n', "t.toml:7 osc.0.type: found 'q', expected 'i', 'f', 's',"),
    (CONSOLE + SEND + "on = 1\n",
     "t.toml:7 osc.0.on: found 1, expected no such key for a level, but law, off, range, unit_db"),
    (CONSOLE + MUTE + 'law = "40 log10"\n',
     "t.toml:7 osc.0.law: found '40 log10', expected no such key for a switch, but off, on"),
    (CONSOLE + MUTE + "on = 1\n",
     "t.toml:4 osc.0.off: found nothing, expected both off and on, or neither"),
    (CONSOLE + MUTE + "on = 1\noff = 1\n",
     "t.toml:7 osc.0.on: found 1 says both, expected different words"),
    (CONSOLE + MUTE + 'type = "T"\non = 1\noff = 0\n',
     "t.toml:9 osc.0.off: found 0, expected true or false"),
    (CONSOLE + MUTE + 'type = "i"\non = 1.5\noff = 0\n',
     "t.toml:8 osc.0.on: found 1.5, expected a number"),
    (CONSOLE + MUTE + "on = []\noff = 0\n",
     "t.toml:7 osc.0.on: found [], expected a word or several"),
    (CONSOLE + MUTE + 'type = "s"\n',
     "t.toml:4 osc.0.off: found nothing, expected the words for off and on"),
    (CONSOLE + TAP + 'type = "s"\npre = "a"\npost = 4\n',
     "t.toml:9 osc.0.post: found 4, expected text"),
    (CONSOLE + PAN + 'type = "i"\n', "t.toml:4 osc.0.range: found nothing, expected the numbers"),
    (CONSOLE + PAN + "range = [0, 1]\ncentre = 2\n",
     "t.toml:7 osc.0.range: found centre 2 is not between 0 and 1, expected numbers left and"),
    # What belongs to the other kind of map.
    (CONSOLE + '[[osc]]\nparameter = "freeze"\naddress = "/f"\ntype = "T"\n',
     "t.toml:5 osc.0.parameter: found 'freeze', expected a parameter that consoles have"),
    (CONSOLE + MUTE + 'action = "toggle"\n',
     "t.toml:7 osc.0.action: found 'toggle', expected no such key in a console's map"),
    (CONSOLE + MUTE + 'use = ["show"]\n',
     "t.toml:7 osc.0.use: found 'show', expected set or read in a console's map"),
    (CONSOLE + MUTE + 'use = ["set"]\nask = "/q"\n',
     "t.toml:8 osc.0.ask: found '/q', expected `read` in use, or nobody hears the answer"),
    (CONSOLE + MUTE + 'ask = "/q/{channel}"\n',
     "t.toml:7 osc.0.ask: found {channel}, expected fields of the parameter's places"),
    (CONSOLE + MUTE + 'ask = { address = "/q", arguments = ["{channel}"] }\n',
     "t.toml:7 osc.0.ask: found {channel}, expected fields of the parameter's places"),
    (CONTROLLER + MASTER + 'ask = "/q"\n',
     "t.toml:8 osc.0.ask: found '/q', expected no such key in a controller's map"),
    (CONTROLLER + MASTER + 'use = ["read"]\n',
     "t.toml:8 osc.0.use: found 'read', expected move or show in a controller's map"),
    # Controls.
    (CONTROLLER + MASTER + 'action = "toggle"\n',
     "t.toml:8 osc.0.action: found 'toggle', expected absolute, relative, set, step for a level"),
    (CONTROLLER + SWITCH + 'action = "step"\nstep_db = 1\n',
     "t.toml:8 osc.0.action: found 'step', expected absolute, toggle, momentary, set for a switc"),
    (CONTROLLER + MASTER + 'action = "relative"\n',
     "t.toml:4 osc.0.step_db: found 0.0, expected dB a click or a press, not 0"),
    (CONTROLLER + MASTER + "step_db = 2\n",
     "t.toml:8 osc.0.step_db: found 2.0, expected no step_db, the action is not relative or step"),
    (CONTROLLER + MASTER + "step_db = 40\n",
     "t.toml:8 osc.0.step_db: found 40, expected less than or equal to 12"),
    (CONTROLLER + MASTER + 'action = "set"\n',
     "t.toml:4 osc.0.to: found None, expected -inf or -90 to 60 dB"),
    (CONTROLLER + MASTER + 'action = "set"\nto = nan\n',
     "t.toml:9 osc.0.to: found nan, expected -inf or -90 to 60 dB"),
    (CONTROLLER + SWITCH + 'action = "set"\nto = 0.5\n',
     "t.toml:9 osc.0.to: found 0.5, expected 0 or 1"),
    (CONTROLLER + MASTER + "to = -20\n",
     "t.toml:8 osc.0.to: found -20.0, expected no value, the action is not set"),
    (CONTROLLER + SWITCH + 'action = "toggle"\ntakeover = "jump"\n',
     "t.toml:9 osc.0.takeover: found 'jump', expected no takeover, the control is not absolute"),
    (CONTROLLER + SWITCH + 'type = "none"\naction = "momentary"\n',
     "t.toml:9 osc.0.action: found 'momentary', expected toggle, set or step: this message has n"),
    (CONTROLLER + MASTER + 'type = "T"\naction = "relative"\nstep_db = 1\n',
     "t.toml:8 osc.0.type: found 'T', expected a number of clicks, i or f"),
    (CONTROLLER + MASTER + 'action = "relative"\nstep_db = 1\nuse = ["move", "show"]\n',
     "t.toml:10 osc.0.use: found 'show', expected an entry of its own that shows the level"),
    (CONTROLLER + SWITCH + 'long_press = { parameter = "bus dim" }\n',
     "t.toml:8 osc.0.long_press: found a table, expected a toggle, set or step that has a releas"),
    (CONTROLLER + SWITCH + 'action = "toggle"\nlong_press = { parameter = "bus master" }\n',
     "t.toml:9 osc.0.long_press: found 'toggle', expected another action for a level"),
    (CONTROLLER + SWITCH + 'action = "toggle"\n'
     'long_press = { parameter = "bus master", action = "step" }\n',
     "t.toml:9 osc.0.long_press: found 0.0, expected step_db: dB a click or a press, not 0"),
    (CONTROLLER + SWITCH + 'action = "toggle"\nlong_press = { parameter = "channel mute" }\n',
     "t.toml:9 osc.0.long_press: found no channel, expected which channel the channel mute is of"),
    # MIDI.
    (CONTROLLER + KNOB + 'law = "40 log10"\n',
     "t.toml:4 midi.0.number: found nothing, expected 0 to 119 or a rule for a control change"),
    (CONTROLLER + KNOB + 'law = "40 log10"\nnumber = 120\n',
     "t.toml:9 midi.0.number: found 120, expected 0 to 119 for a control change"),
    (CONTROLLER + KNOB.replace("control change", "pitch bend") + BOTH,
     "t.toml:8 midi.0.number: found 1, expected no number for a pitch bend"),
    (CONTROLLER + KNOB + BOTH + "midi_channel = 17\n",
     "t.toml:10 midi.0.midi_channel: found 17, expected less than or equal to 16"),
    (CONTROLLER + KNOB + BOTH + 'template = "F0 7D F7"\n',
     "t.toml:10 midi.0.template: found F0 7D F7, expected no template for a control change"),
    (CONTROLLER + KNOB + "number = 1\n",
     "t.toml:4 midi.0.law: found nothing, expected a law, or unit_db for a number that counts"),
    (CONTROLLER + KNOB + BOTH + "range = [0, 200]\n",
     "t.toml:10 midi.0.range: found [0.0, 200.0], expected numbers 0 to 127"),
    (CONTROLLER + KNOB.replace("control change", "note")
     + 'number = 1\naction = "relative"\nstep_db = 1\n',
     "t.toml:7 midi.0.message: found 'note', expected control change, nrpn, rpn for a relative c"),
    (CONTROLLER + KNOB.replace("control change", "pitch bend") + 'action = "set"\nto = 0\n',
     "t.toml:7 midi.0.message: found 'pitch bend', expected a message that rests at 0 for a pres"),
    (CONTROLLER + KNOB.replace("control change", "program change") + BOTH,
     "t.toml:4 midi.0.action: found 'absolute', expected toggle, set or step: this message has n"),
    (CONSOLE + SYSEX,
     "t.toml:4 midi.0.template: found nothing, expected the message in hex, F0 7D 01 {bus} {valu"),
    (CONSOLE + SYSEX + 'template = "B0 {bus} {value}"\n',
     "t.toml:8 midi.0.template: found B0 {bus} {value}, expected F0 7D 01 {bus} {value:2} F7"),
    (CONSOLE + SYSEX + 'template = "F0 7D {bus} F7"\n',
     "t.toml:8 midi.0.template: found F0 7D {bus} F7, expected a {value}"),
    (CONSOLE + SYSEX + 'template = "F0 7D {bus} {value}"\n',
     "t.toml:8 midi.0.template: found sysex template must begin with F0, an id, and end with F7"),
    (CONSOLE + SYSEX + 'template = "F0 7D {mix} {value} F7"\n',
     "t.toml:8 midi.0.template: found {mix}, expected {channel}, {bus}, {group} or {value}"),
    (CONSOLE + SYSEX + 'template = "F0 7D {bus} {value} F7"\nask = "B0 07"\n',
     "t.toml:9 midi.0.ask: found 'B0 07', expected one MIDI message in hex"),
    (CONSOLE + SYSEX + 'template = "F0 7D {bus} {value} F7"\nask = "B0 07 F0"\n',
     "t.toml:9 midi.0.ask: found 'B0 07 F0', expected data bytes 00 to 7F"),
    (CONSOLE + SYSEX + 'template = "F0 7D {bus} {value} F7"\nask = "B0 bus 00"\n',
     "t.toml:9 midi.0.ask: found 'bus', expected two hex digits or {channel-1}"),
    (CONSOLE + SYSEX + 'template = "F0 7D {bus} {value} F7"\nask = ""\n',
     "t.toml:9 midi.0.ask: found '', expected at least one character"),
]  # fmt: skip


SOUND: tuple[str, ...] = (
    SEND + "range = [0, 10]\noff = -1\n",
    SEND + "law = { from_db = -59, to_db = 10, off_at_bottom = true }\n",
    SEND + "range = [-60, 10]\n",
    SEND + 'range = [0, 10]\nuse = ["read"]\n',
    MASTER.replace("bus master", "channel fader").replace("bus = 1", "channel = 1")
    + "range = [-40, 10]\n",
)
"""Quiet enough, only read, or no level that the bridge takes down by itself."""


@pytest.mark.parametrize("entry", SOUND)
def test_a_console_that_can_be_told_to_be_quiet_is_taken(entry: str) -> None:
    parse_map(CONSOLE + entry, "t.toml")


@pytest.mark.parametrize(("text", "said"), FAULTS, ids=[said[7:50] for _, said in FAULTS])
def test_a_fault_says_where_what_was_found_and_what_was_expected(text: str, said: str) -> None:
    with pytest.raises(MapError) as caught:
        parse_map(text, "t.toml")
    assert str(caught.value).startswith(said)


def test_all_faults_are_told_at_once() -> None:
    text = CONSOLE + SEND + "on = 1\nbuses = [2, 1]\n" + MUTE + 'use = ["move"]\n'
    with pytest.raises(MapError) as caught:
        parse_map(text, "t.toml")
    assert [fault.where for fault in caught.value.faults] == [
        "t.toml:8 osc.0.buses",
        "t.toml:7 osc.0.on",
        "t.toml:12 osc.1.use",
    ]


def test_each_place_is_told_once() -> None:
    with pytest.raises(MapError) as caught:
        parse_map(CONSOLE + SEND + "law = 7\n", "t.toml")
    assert len(caught.value.faults) == 1
    assert caught.value.faults[0].where == "t.toml:7 osc.0.law"


def test_a_map_that_is_too_long_is_not_read() -> None:
    with pytest.raises(MapError) as caught:
        parse_map("#" * (limits.MAP_CHARACTERS_MAX + 1), "t.toml")
    assert str(caught.value) == "t.toml: found 262145 characters, expected at most 262144"
