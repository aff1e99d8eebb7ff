"""What `check` finds in a rig: every kind of warning and error, with its place. I/O."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from bridge.checking import Report, check
from bridge.errors import MapError, RigError

MAPPINGS = Path(__file__).parents[2] / "mappings"

RIG = f"""\
[rig]
name = "Ferry Lane, room 2"
[limits]
master_ceiling_db = 0
[[channel]]
id = "kick"
console = 1
[[channel]]
id = "voice"
console = 2
[[bus]]
id = "kit"
console = 1
[[bus]]
id = "front"
console = 2
[[performer]]
id = "ines"
name = "Ines"
buses = ["kit"]
[engineer]
name = "Ruth"
[[controller]]
id = "ines-tablet"
hands = "ines"
map = "{MAPPINGS}/tablet.toml"
listen = "udp://:9371"
source = "192.0.2.21"
reply = "udp://192.0.2.21:9471"
[[controller]]
id = "ruth-page"
hands = "engineer"
map = "{MAPPINGS}/engineer-panel.toml"
listen = "udp://:9370"
source = "192.0.2.20"
[console]
map = "{MAPPINGS}/console-osc-position.toml"
send = "udp://192.0.2.10:9000"
listen = "udp://:9001"
[daemon]
watch = "tcp://127.0.0.1:9372"
"""

FEET = f"""
[[controller]]
id = "ines-feet"
hands = "ines"
map = "{MAPPINGS}/foot-board.toml"
midi = "Foot*"
"""

FADER = """\
[map]
name = "Fader box"
kind = "controller"
[[midi]]
parameter = "bus master"
bus = 1
message = "control change"
midi_channel = 4
number = 7
law = "40 log10"
takeover = "{takeover}"
"""


class Bench:
    """A folder to write rigs and maps to, and check them."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "house.toml"

    def map(self, name: str, text: str) -> None:
        (self.path.parent / name).write_text(text, encoding="utf-8")

    def check(self, *changes: tuple[str, str], more: str = "") -> Report:
        text = RIG
        for old, new in changes:
            assert text.count(old) == 1, old
            text = text.replace(old, new)
        self.path.write_text(text + more, encoding="utf-8")
        return check(self.path)

    def warnings(self, *changes: tuple[str, str], more: str = "") -> list[str]:
        """The warnings, without the folder."""
        report = self.check(*changes, more=more)
        return [each.replace(f"{self.path.parent}/", "") for each in report.warnings]

    def faults(self, *changes: tuple[str, str], more: str = "") -> list[str]:
        with pytest.raises((RigError, MapError)) as caught:
            self.check(*changes, more=more)
        lines = map(str, caught.value.faults)
        return [line.replace(f"{self.path.parent}/", "") for line in lines]

    def line(self, part: str) -> int:
        text = self.path.read_text(encoding="utf-8")
        return text[: text.index(part)].count("\n") + 1


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


# -- the table ----------------------------------------------------------------------------------


def test_a_sound_rig_has_no_warnings(bench: Bench) -> None:
    assert bench.warnings() == []


def test_the_table_says_who_can_set_read_and_move_what(bench: Bench) -> None:
    rows = [line.split() for line in bench.check().text().splitlines()]
    assert "parameter of in set read ask moved by shown at".split() in rows
    both = ["ines-tablet,", "ruth-page"]
    assert ["send", "level", "all", "2", "kit", "yes", "yes", "yes", *both, *both] in rows
    page = ["ruth-page"]
    assert ["send", "level", "all", "2", "front", "yes", "yes", "yes", *page, *page] in rows
    assert ["channel", "fader", "all", "2", "-", "yes", "yes", "yes", "-", "-"] in rows
    assert ["silence", "all", "-", "-", "bridge", "-", "-", *page, *page] in rows
    assert rows[-1] == ["no", "warnings"]


def test_the_data_says_the_same_a_cell_and_is_json(bench: Bench) -> None:
    data = json.loads(json.dumps(bench.check().data(), allow_nan=False))
    assert data["channels"] == ["kick", "voice"] and data["buses"] == ["kit", "front"]
    assert data["file"] == str(bench.path) and data["warnings"] == []
    (cell,) = [c for c in data["cells"]
               if (c["parameter"], c["of"], c["bus"]) == ("send level", "voice", "kit")]  # fmt: skip
    assert cell == {
        "parameter": "send level", "of": "voice", "bus": "kit", "set": True, "read": True,
        "ask": True, "moved_by": ["ines-tablet", "ruth-page"],
        "shown_at": ["ines-tablet", "ruth-page"],
    }  # fmt: skip


def test_who_may_not_move_a_cell_does_not_stand_in_it(bench: Bench) -> None:
    report = bench.check(('name = "Ines"', 'name = "Ines"\nmay_touch = ["send level"]'))
    movers = {(c["parameter"], c["bus"]): c["moved_by"] for c in report.data()["cells"]}
    assert movers["send level", "kit"] == ["ines-tablet", "ruth-page"]
    assert movers["bus master", "kit"] == ["ruth-page"]


# -- dangers ------------------------------------------------------------------------------------

NUMBER_2 = 'id = "front"\nconsole = 2'


def test_a_monitor_tapped_post_fader_is_a_danger(bench: Bench) -> None:
    (warning,) = bench.warnings((NUMBER_2, NUMBER_2 + '\ntap = "post"'))
    assert warning.startswith(f"house.toml:{bench.line('tap = ')} bus.1.tap: front is tapped post")


def test_a_ceiling_above_nominal_is_a_danger_and_one_at_nominal_is_not(bench: Bench) -> None:
    assert bench.warnings((NUMBER_2, NUMBER_2 + "\nnominal_db = 0")) == []
    (warning,) = bench.warnings((NUMBER_2, NUMBER_2 + "\nnominal_db = -6"))
    assert warning.startswith(
        "house.toml:4 limits.master_ceiling_db: the ceiling of front, 0 dB, is above its nominal "
        "level, -6 dB; lower master_ceiling_db"
    )


def test_a_ceiling_of_the_bus_itself_is_shown_at_the_bus(bench: Bench) -> None:
    more = "\nnominal_db = -6\nmaster_ceiling_db = -3\nstart_db = -5"
    above, start = bench.warnings((NUMBER_2, NUMBER_2 + more))
    assert above.startswith(f"house.toml:{bench.line('master_ceiling_db = -3')} bus.1.master_ceil")
    assert start.startswith(f"house.toml:{bench.line('start_db = -5')} bus.1.start_db: front opens")


def test_a_console_that_is_not_read_back_is_a_danger(bench: Bench) -> None:
    listen = 'listen = "udp://:9001"'
    (warning,) = bench.warnings((listen, listen + "\nreadback = false"))
    assert f"house.toml:{bench.line('readback')} console.readback: the console is not" in warning


def test_a_console_whose_map_reads_nothing_is_a_danger_too(bench: Bench) -> None:
    found = bench.warnings(
        ("console-osc-position", "console-midi-7bit"),
        ('send = "udp://192.0.2.10:9000"\nlisten = "udp://:9001"', 'midi = "Desk*"'),
    )
    assert len(found) == 2
    assert "cannot be read back" in found[1] and "readback = false" in found[1]
    assert "neither says nor is told where a send takes its signal" in found[0]


OWN_CONSOLE = """\
[map]
name = "Own"
kind = "console"
[[osc]]
parameter = "send level"
address = "/s/{bus}/{channel}"
range = [-80, 10]
off = -100
ask = "/s/{bus}/{channel}"
[[osc]]
parameter = "send tap"
address = "/t/{bus}/{channel}"
type = "i"
pre = 0
post = 1
ask = "/t/{bus}/{channel}"
[[osc]]
parameter = "send pan"
address = "/p/{bus}/{channel}"
ask = "/p/{bus}/{channel}"
[[osc]]
parameter = "bus master"
address = "/m/{bus}"
range = [-80, 10]
off = -100
"""
OWN_MAP = (f"{MAPPINGS}/console-osc-position.toml", "own.toml")


def test_what_nothing_asks_for_keeps_the_bridge_waiting(bench: Bench) -> None:
    bench.map("own.toml", OWN_CONSOLE)
    (warning,) = bench.warnings(OWN_MAP)
    assert "nothing asks for bus master of kit and 1 more: the bridge waits" in warning


def test_what_nothing_confirms_is_told(bench: Bench) -> None:
    bench.map("own.toml", OWN_CONSOLE + '[console]\nask_all = ["/all"]\n')
    (warning,) = bench.warnings(OWN_MAP)
    assert "nothing confirms bus master of kit and 1 more" in warning
    bench.map("own.toml", OWN_CONSOLE + '[console]\nask_all = ["/all"]\nechoes = true\n')
    assert bench.warnings(OWN_MAP) == []


def test_what_is_told_and_never_read_is_told(bench: Bench) -> None:
    bench.map("own.toml", OWN_CONSOLE + 'use = ["set"]\n')
    (warning,) = bench.warnings(OWN_MAP)
    assert "is told bus master of kit and 1 more, and cannot be read back there" in warning


def test_a_channel_or_bus_beyond_the_console_is_found(bench: Bench) -> None:
    limited = OWN_CONSOLE.replace("range", "buses = [1, 8]\nrange") + 'ask = "/m/{bus}"\n'
    bench.map("own.toml", limited.replace("buses", "channels = [1, 8]\nbuses", 1))
    found = bench.warnings(OWN_MAP, (NUMBER_2, 'id = "front"\nconsole = 9'),
                           ('id = "voice"\nconsole = 2', 'id = "voice"\nconsole = 11'))  # fmt: skip
    assert f"house.toml:{bench.line('console = 11')} channel.1.console: no send of voice" in found[-2]
    assert f"house.toml:{bench.line('console = 9')} bus.1.console: the master of front" in found[-1]


def test_a_bus_that_nothing_opens_is_found(bench: Bench) -> None:
    own = OWN_CONSOLE + 'ask = "/m/{bus}"\n'
    bench.map("own.toml", own)
    bench.map("few.toml", FADER.format(takeover="pickup"))
    feet = f'map = "{MAPPINGS}/engineer-panel.toml"\nlisten = "udp://:9370"\nsource = "192.0.2.20"'
    changes = (OWN_MAP, (feet, 'map = "few.toml"\nmidi = "Few*"'))
    found = bench.warnings(*changes)
    assert [w.partition(";")[0] for w in found] == [
        f"house.toml:{bench.line('[[bus]]')} bus.0: nothing opens kit: no control of the "
        "engineer's does, and it does not open by itself",
        f"house.toml:{bench.line('[[bus]]') + 3} bus.1: nothing opens front: no control of the "
        "engineer's does, and it does not open by itself",
    ]
    by_itself = (NUMBER_2, NUMBER_2 + "\nauto_open = true")
    assert len(bench.warnings(*changes, by_itself)) == 1


# -- controls -----------------------------------------------------------------------------------


def test_a_control_that_its_person_may_not_move_is_found(bench: Bench) -> None:
    (warning,) = bench.warnings(
        ('name = "Ines"', 'name = "Ines"\nmay_touch = ["send level", "send on", "bus master"]')
    )
    assert "tablet.toml:28 osc.2: Ines at ines-tablet may not move send pan of kick in kit" in warning
    assert "and 1 more" in warning


def test_a_control_of_what_the_console_lacks_is_found(bench: Bench) -> None:
    bench.map("own.toml", OWN_CONSOLE.replace("send pan", "send on").replace('"/p', '"/o')
              + 'ask = "/m/{bus}"\n')  # fmt: skip
    (warning,) = bench.warnings(OWN_MAP)
    assert "tablet.toml:28 osc.2: ines-tablet moves send pan of kick in kit and 1 more" in warning


def test_an_entry_about_nothing_is_found(bench: Bench) -> None:
    text = FADER.format(takeover="pickup").replace("bus = 1", "buses = [7, 8]")
    bench.map("few.toml", text.replace("number = 7", "number = { first = 7, per_bus = 1 }"))
    found = bench.warnings(more='[[controller]]\nid = "few"\nhands = "engineer"\nmap = "few.toml"\n'
                           'midi = "Few*"\n')  # fmt: skip
    assert found == [
        "few.toml:4 midi.0: reaches nothing at few; check its channel, bus or group against the rig"
    ]


def test_one_midi_control_with_two_meanings_is_found_at_its_line(bench: Bench) -> None:
    text = FADER.format(takeover="pickup")
    second = text[text.index("[[midi]]") :].replace("bus = 1", "bus = 2")
    bench.map("few.toml", text + second)
    (warning,) = bench.warnings(more='[[controller]]\nid = "few"\nhands = "engineer"\n'
                                'map = "few.toml"\nmidi = "Few*"\n')  # fmt: skip
    assert warning.startswith("few.toml:12 midi.1: Fader box: ")
    assert "means bus master of kit and bus master of front" in warning


def test_two_takeovers_of_one_level_in_one_map_are_found(bench: Bench) -> None:
    text = FADER.format(takeover="pickup")
    second = text[text.index("[[midi]]") :].replace("pickup", "scaled").replace("= 7", "= 8")
    bench.map("few.toml", text + second)
    (warning,) = bench.warnings(more='[[controller]]\nid = "few"\nhands = "engineer"\n'
                                'map = "few.toml"\nmidi = "Few*"\n')  # fmt: skip
    assert "bus master of kit is taken over in different ways" in warning
    assert warning.startswith("few.toml:")


def box(name: str, takeover: str) -> str:
    return (f'[[controller]]\nid = "{name}"\nhands = "engineer"\nmap = "{takeover}.toml"\n'
            f'midi = "{name}*"\n')  # fmt: skip


@pytest.mark.parametrize(
    ("takeover", "said"),
    [
        ("pickup", None),
        ("scaled", "bus master of kit: box takes it over by scaled, ines-feet by pickup"),
        ("jump", "bus master of kit: box takes it over by jump, ines-feet by pickup"),
    ],
)
def test_clashing_takeovers_of_two_controllers_are_found(
    bench: Bench, takeover: str, said: str | None
) -> None:
    bench.map(f"{takeover}.toml", FADER.format(takeover=takeover))
    found = bench.warnings(more=FEET + box("box", takeover))
    if said is None:
        assert found == []
    else:
        assert found[0].startswith(f"{takeover}.toml:4 midi.0: {said}; ")


def test_a_blind_jump_on_a_level_that_others_move_is_found(bench: Bench) -> None:
    bench.map("jump.toml", FADER.format(takeover="jump"))
    (warning,) = bench.warnings(more=box("box", "jump"))
    assert "box jumps to where its control stands, and ines-tablet and 1 more moves it" in warning


def test_a_jump_that_is_shown_the_level_is_no_clash(bench: Bench) -> None:
    bench.map("jump.toml", FADER.format(takeover="jump") + 'use = ["move", "show"]\n')
    assert bench.warnings(more=FEET + box("box", "jump")) == []


# -- addresses ----------------------------------------------------------------------------------


def test_every_wrong_address_is_an_error_and_all_are_told_together(bench: Bench) -> None:
    faults = bench.faults(
        ('send = "udp://192.0.2.10:9000"', 'send = "udp://192.0.2.10:90000"'),
        ('listen = "udp://:9371"', 'listen = "osc://:9371"'),
        ('reply = "udp://192.0.2.21:9471"', 'reply = "udp://:9471"'),
        ('watch = "tcp://127.0.0.1:9372"', 'watch = "udp://127.0.0.1:9372"'),
        ('listen = "udp://:9001"', 'listen = "midi:Desk"'),
        more=FEET.replace('"Foot*"', '"midi:"'),
    )
    lines = {key: bench.line(key) for key in ("send =", 'listen = "osc', "reply", "watch", "Desk")}
    lines["midi"] = bench.line('midi = "midi:"')
    assert faults == [
        f"house.toml:{lines['send =']} console.send: found port 90000, expected a port from 1 to "
        "65535",
        f"house.toml:{lines['Desk']} console.listen: found 'midi:Desk', expected udp://...",
        f"house.toml:{lines['listen = \"osc']} controller.0.listen: found osc://:9371, expected "
        "udp://host:port, tcp://host:port?framing=size|slip, midi:Name* or midi-virtual:Name",
        f"house.toml:{lines['reply']} controller.0.reply: found udp://:9471, expected the other "
        "end's host, as in udp://192.0.2.10:9471",
        f"house.toml:{lines['midi']} controller.2.midi: found midi:, expected a port's name, as in "
        "midi:Foot board",
        f"house.toml:{lines['watch']} daemon.watch: found 'udp://127.0.0.1:9372', expected tcp://...",
    ]


def test_wrong_addresses_are_told_together_with_wrong_maps(bench: Bench) -> None:
    bench.map("own.toml", "[map]\n")
    faults = bench.faults(OWN_MAP, ('listen = "udp://:9001"', 'listen = "udp://:0"'))
    assert "console.listen" in faults[0]
    assert any("own.toml" in fault for fault in faults[1:])


def test_two_doors_at_one_port_are_an_error(bench: Bench) -> None:
    (fault,) = bench.faults(('listen = "udp://:9370"', 'listen = "udp://127.0.0.1:9371"'))
    assert "controller.1.listen: found 'udp://127.0.0.1:9371', which 'udp://:9371'" in fault


@pytest.mark.parametrize("listen", ["udp://:9001", "udp://127.0.0.1:9001"])
def test_a_controller_at_the_consoles_port_is_an_error(bench: Bench, listen: str) -> None:
    (fault,) = bench.faults(('listen = "udp://:9370"', f'listen = "{listen}"'))
    assert "which 'udp://:9001' at console.listen takes" in fault


def test_two_controllers_may_share_a_door_but_not_a_source(bench: Bench) -> None:
    shared = ('listen = "udp://:9370"', 'listen = "udp://:9371" ')
    assert bench.warnings(shared) == []
    (fault,) = bench.faults(shared, ('source = "192.0.2.20"', 'source = "192.0.2.21"'))
    assert "the source of ines-tablet at the same port" in fault


def test_tcp_and_udp_may_have_the_same_number(bench: Bench) -> None:
    assert bench.warnings(('listen = "udp://:9370"', 'listen = "udp://:9372"')) == []


def test_a_bridge_that_would_talk_to_itself_is_warned(bench: Bench) -> None:
    (warning,) = bench.warnings(('send = "udp://192.0.2.10:9000"', 'send = "udp://127.0.0.1:9001"'))
    assert "console.send: udp://127.0.0.1:9001 is where the bridge itself listens" in warning


def test_a_source_by_name_never_matches_and_is_warned(bench: Bench) -> None:
    (warning,) = bench.warnings(('source = "192.0.2.20"', 'source = "page.example:9000"'))
    assert "controller.1.source: 'page.example:9000' is a name" in warning
    assert bench.warnings(('source = "192.0.2.20"', 'source = "[2001:db8::5]:9000"')) == []
    assert bench.warnings(('source = "192.0.2.20"', 'source = "2001:db8::5"')) == []


def test_a_listen_that_a_tcp_console_does_not_use_is_warned(bench: Bench) -> None:
    (warning,) = bench.warnings(('send = "udp://192.0.2.10:9000"', 'send = "tcp://192.0.2.10:9000"'))
    assert "console.listen: is not used" in warning


def test_two_controllers_on_one_midi_port_that_hear_the_same_are_warned(bench: Bench) -> None:
    twin = FEET.replace("ines-feet", "more-feet").replace("Foot*", "foot board")
    (warning,) = bench.warnings(more=FEET + twin)
    assert "controller.3.midi: more-feet and ines-feet may be on one port" in warning
    assert "note 60 on MIDI channel 1 means something at both (5 such messages)" in warning


def test_two_controllers_on_one_midi_port_with_words_of_their_own_are_fine(bench: Bench) -> None:
    bench.map("pickup.toml", FADER.format(takeover="pickup"))
    assert bench.warnings(more=FEET + box("Foot", "pickup")) == []
    numbered = FEET.replace("ines-feet", "more-feet").replace("Foot*", "Foot*@2")
    assert bench.warnings(more=FEET + numbered.replace("Foot*@2", "midi:Foot*@2")) == []


# -- maps ---------------------------------------------------------------------------------------


def test_a_map_of_the_wrong_kind_is_an_error(bench: Bench) -> None:
    (fault,) = bench.faults(("console-osc-position", "tablet.toml")) if False else bench.faults(
        (f"{MAPPINGS}/console-osc-position.toml", f"{MAPPINGS}/knob-box.toml")
    )
    assert fault.startswith(f"house.toml:{bench.line('[console]') + 1} console.map: found ")
    assert fault.endswith("a controller's map, expected a console's map")


def test_a_map_in_the_wrong_language_is_an_error(bench: Bench) -> None:
    (fault,) = bench.faults(("engineer-panel", "key-pad"))
    assert "controller.1.map: found " in fault
    assert fault.endswith("a map in MIDI, expected one in OSC, as the declared link carries")


def test_a_map_that_names_a_place_that_there_is_not_is_an_error(bench: Bench) -> None:
    bench.map("few.toml", FADER.format(takeover="pickup").replace("bus = 1", "bus = 7"))
    (fault,) = bench.faults(more=box("few", "few").replace('"engineer"', '"ines"'))
    assert fault.startswith("few.toml:") and "no bus 7, there is 1" in fault
