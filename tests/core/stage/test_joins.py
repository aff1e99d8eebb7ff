"""Wrong joins of a stage's lines: each is found, and a right stage has none."""

from __future__ import annotations

import re
from itertools import pairwise

import pytest

from bridge.rig.rig import Rig, parse_rig
from bridge.rig.wires import Socket
from bridge.stage.joins import Kind, Wrong, chains, joins, load_of
from bridge.stage.loads import Fit

HEAD = """
[rig]
name = "Ferry Lane, room 2"
[[channel]]
id = "voice"
console = 1
[[bus]]
id = "maud"
label = "Maud"
console = 1
[[bus]]
id = "bela"
label = "Bela"
console = 2
width = "stereo"
[console]
map = "console.toml"
send = "udp://192.0.2.10:9000"
[stage]
[[amplifier]]
id = "rack"
label = "Rack"
power_8_ohm_w = 300
least_ohm = 4
[[amplifier]]
id = "second"
power_8_ohm_w = 300
least_ohm = 2
"""
PASSIVE = "active = false\nsensitivity_db = 97\npower_w = 300\nimpedance_ohm = {ohm}\n"
ACTIVE = "active = true\nspl_1m_db = 94\n"
SIGNAL, POWER = 'cable = "signal"', 'cable = "loudspeaker"'


def box(name: str, ohm: float | None = 8, bus: str = "maud", side: str = "both") -> str:
    """A loudspeaker, passive; active where it has no impedance."""
    facts = ACTIVE if ohm is None else PASSIVE.format(ohm=ohm)
    aim = "at = [0.0, 0.0, 0.3]\naim_deg = [0.0, 30.0]"
    return f'[[loudspeaker]]\nid = "{name}"\nbus = "{bus}"\nside = "{side}"\n{aim}\n{facts}'


def end(said: str) -> str:
    """``rack>1`` is output 1, ``rack<1`` input 1, ``bus:maud`` a bus, a bare word a box."""
    if ":" in said:
        bus, *side = said.split(":")[1:]
        return f'{{ bus = "{bus}"' + (f', side = "{side[0]}" }}' if side else " }")
    socket = re.fullmatch(r"(\w+)([<>])(\d+)", said)
    if socket is None:
        return f'{{ loudspeaker = "{said}" }}'
    key = "output" if socket[2] == ">" else "input"
    return f'{{ amplifier = "{socket[1]}", {key} = {socket[3]} }}'


def line(start: str, to: str, cable: str = SIGNAL, more: str = "length_m = 5") -> str:
    return f"[[line]]\nfrom = {end(start)}\nto = {end(to)}\n{cable}\n{more}\n"


def rig(*tables: str) -> Rig:
    return parse_rig(HEAD + "".join(tables), "stage.toml")


def found(*tables: str) -> dict[Kind, Wrong]:
    return {wrong.kind: wrong for wrong in joins(rig(*tables))}


FED = line("bus:maud", "rack<1")
RIGHT = (box("a"), FED, line("rack>1", "a", POWER, "length_m = 10\nmm2 = 2.5"))


def test_a_right_stage_has_no_wrong_join() -> None:
    assert joins(rig(*RIGHT)) == ()
    active = (box("a", None), box("b", None), line("bus:maud", "a"), line("a", "b"))
    assert joins(rig(*active)) == ()


def test_a_stage_without_lines_has_no_wrong_join_and_no_chain() -> None:
    assert joins(rig(box("a"))) == ()
    (chain,) = chains(rig(box("a")))
    assert (chain.lines, chain.amplifier, chain.loss_db) == ((), None, None)


@pytest.mark.parametrize("cable", ["signal", "instrument"])
def test_a_passive_loudspeaker_on_another_cable_is_refused(cable: str) -> None:
    wrong = found(box("a"), FED, line("rack>1", "a", f'cable = "{cable}"'))[Kind.CABLE]
    assert wrong.fit is Fit.REFUSE and wrong.where == ("line", 1, "cable")
    assert f"a takes an amplifier's power over {cable} cable" in wrong.text


def test_signal_over_loudspeaker_cable_is_worth_a_word() -> None:
    wrong = found(box("a", None), line("bus:maud", "a", POWER))[Kind.CABLE]
    assert wrong.fit is Fit.WARN and wrong.where == ("line", 0, "cable")
    wrong = found(*RIGHT[:1], line("bus:maud", "rack<1", POWER), RIGHT[2])[Kind.CABLE]
    assert "input 1 of Rack takes its signal over loudspeaker cable" in wrong.text


@pytest.mark.parametrize(
    ("start", "words"),
    [
        ("bus:maud", "the output of bus Maud"),
        ("rack<1", "the link of input 1 of Rack"),
        ("loud", "the link-through of loud, which is active"),
    ],
)
def test_a_passive_loudspeaker_without_an_amplifier_is_refused(start: str, words: str) -> None:
    tables = (box("a"), box("loud", None), FED, line("bus:maud", "loud"), line(start, "a"))
    wrong = found(*tables)[Kind.NO_POWER]
    assert wrong.fit is Fit.REFUSE and wrong.where == ("line", 2)
    assert wrong.text == f"a is passive and fed by {words}: that carries signal, no power"


def test_power_into_an_active_loudspeaker_is_refused() -> None:
    wrong = found(box("loud", None), FED, line("rack>1", "loud", POWER))[Kind.POWER]
    assert wrong.fit is Fit.REFUSE and "loud is active and fed by output 1 of Rack" in wrong.text


def test_the_link_through_of_a_passive_box_is_not_one_of_an_active_box() -> None:
    wrong = found(*RIGHT, box("loud", None), line("a", "loud"))[Kind.POWER]
    assert "the link-through of a, which is passive" in wrong.text
    assert wrong.where == ("line", 2)


def test_power_into_an_amplifiers_input_is_refused() -> None:
    wrong = found(*RIGHT, line("rack>1", "second<1", POWER))[Kind.POWER]
    assert "input 1 of second is a signal input and fed by output 1 of Rack" in wrong.text


def boxes(*ohms: float) -> tuple[str, ...]:
    """Boxes a, b, ... on one output, each hung on the one before."""
    names = "abcdefgh"[: len(ohms)]
    starts = ("rack>1", *names)
    lines = [
        line(s, n, POWER, "length_m = 1\nmm2 = 4") for s, n in zip(starts, names, strict=False)
    ]
    return (*(box(n, ohm) for n, ohm in zip(names, ohms, strict=True)), FED, *lines)


# Ohm's law by hand: 8 || 8 = 4, 8 || 8 || 8 = 2.667, 16 || 16 = 8, 4 || 8 = 2.667.
@pytest.mark.parametrize(
    ("ohms", "load"),
    [((8,), 8.0), ((8, 8), 4.0), ((8, 8, 8), 8 / 3), ((16, 16), 8.0), ((4, 8), 8 / 3)],
)
def test_boxes_on_link_throughs_are_in_parallel(ohms: tuple[float, ...], load: float) -> None:
    assert load_of(rig(*boxes(*ohms)), "rack", 1) == pytest.approx(load)


def test_more_boxes_than_the_amplifier_drives_are_refused_with_figures() -> None:
    wrong = found(*boxes(8, 8, 8))[Kind.LOAD]
    assert wrong.fit is Fit.REFUSE and wrong.where == ("line", 3)
    assert wrong.text == (
        "a, b, c on output 1 of Rack are a load of 2.67 ohm, and it allows 4 ohm or more"
    )


def test_a_load_whose_dips_are_below_the_least_is_worth_a_word() -> None:
    # 80 % of 4 ohm are 3.2 ohm (IEC 60268-5, rated impedance).
    wrong = found(*boxes(8, 8))[Kind.LOAD]
    assert wrong.fit is Fit.WARN and "may dip to 3.2 ohm" in wrong.text


def series(*tables: str) -> tuple[str, ...]:
    return (box("a"), box("b"), box("c"), box("d"), FED, *tables)


def test_pairs_in_series_side_by_side_are_one_box() -> None:
    # (8 + 8) || (8 + 8) = 8.
    more = "length_m = 1\nmm2 = 4"
    tables = series(
        line("rack>1", "a", POWER, more),
        line("a", "b", POWER, more + '\njoined = "series"'),
        line("rack>1", "c", POWER, more),
        line("c", "d", POWER, more + '\njoined = "series"'),
    )
    assert load_of(rig(*tables), "rack", 1) == pytest.approx(8.0)
    assert joins(rig(*tables)) == ()


def test_nothing_on_an_output_is_no_load() -> None:
    assert load_of(rig(*RIGHT), "rack", 2) is None
    assert load_of(rig(*RIGHT), "second", 1) is None


def test_a_box_without_impedance_makes_the_load_unknown() -> None:
    silent = box("b").replace("impedance_ohm = 8\n", "")
    tables = (*RIGHT, silent, line("a", "b", POWER))
    wrong = found(*tables)[Kind.UNKNOWN_LOAD]
    assert load_of(rig(*tables), "rack", 1) is None
    assert wrong.text == "the load on output 1 of Rack is not known: no impedance for b"


def test_a_loudspeaker_wired_to_another_bus_than_declared_is_refused() -> None:
    # Through an amplifier and a link-through.
    tables = (*boxes(8, 16)[:-3], line("bus:bela", "rack<1"), *boxes(8, 16)[-2:])
    wrong = [each for each in joins(rig(*tables)) if each.kind is Kind.OTHER_BUS]
    assert [each.where for each in wrong] == [("loudspeaker", 0, "bus"), ("loudspeaker", 1, "bus")]
    assert wrong[0].text == (
        "a is declared for the output of bus Maud, and wired from the output of bus Bela"
    )


def test_the_other_side_of_a_stereo_bus_is_another_mix() -> None:
    left = box("a", None, "bela", "left")
    assert Kind.OTHER_BUS in found(left, line("bus:bela:right", "a"))
    assert joins(rig(left, line("bus:bela:left", "a"))) == ()
    assert joins(rig(left, line("bus:bela", "a"))) == ()


def test_two_mixes_on_one_input_are_refused() -> None:
    wrong = found(*RIGHT, line("bus:bela", "rack<1"))[Kind.MIXES]
    assert wrong.fit is Fit.REFUSE and wrong.where == ("line", 2)
    assert "the output of bus Maud and the output of bus Bela" in wrong.text


def test_two_mixes_in_one_chain_of_active_boxes_are_refused() -> None:
    tables = (box("a", None), box("b", None), line("bus:maud", "a"), line("a", "b"),
              line("bus:bela", "b"))  # fmt: skip
    assert found(*tables)[Kind.MIXES].where == ("line", 2)


def test_two_amplifier_outputs_on_one_box_are_refused() -> None:
    tables = (*RIGHT, line("bus:bela", "rack<2"), line("rack>2", "a", POWER))
    assert "the amplifiers drive one another" in found(*tables)[Kind.MIXES].text


def test_an_amplifier_input_fed_by_nothing_is_worth_a_word() -> None:
    wrong = found(box("a"), line("rack>1", "a", POWER))[Kind.NOTHING]
    assert wrong.fit is Fit.WARN and wrong.where == ("line", 0)
    assert wrong.text.endswith("nothing goes into input 1 of Rack")


def test_a_box_that_no_line_reaches_is_worth_a_word() -> None:
    wrong = found(*RIGHT, box("b"))[Kind.NOTHING]
    assert wrong.where == ("loudspeaker", 1) and wrong.text == "no line goes to b"


def test_a_long_thin_cable_loses_level_and_damping() -> None:
    # 30 m of 1.5 mm2: 2 x 30 x 13.3 / 1000 = 0.798 ohm; 20 log10(8 / 8.798) = -0.826 dB;
    # 8 / (8/200 + 0.798) = 9.5.
    tables = (box("a"), FED, line("rack>1", "a", POWER, "length_m = 30\nmm2 = 1.5"))
    (chain,) = chains(rig(*tables))
    assert chain.loop_ohm == pytest.approx(0.798)
    assert chain.loss_db == pytest.approx(-0.8258, abs=1e-4)
    assert chain.damping == pytest.approx(9.547, abs=1e-3)
    wrong = found(*tables)
    assert wrong[Kind.LOSS].text == "the cable to a takes 0.8 dB, more than 0.5 dB"
    assert wrong[Kind.DAMPING].text == "the damping factor at a is 10, less than 20"


def test_the_loss_to_the_second_box_counts_what_both_draw_in_the_first_line() -> None:
    # Network by hand: b behind R2 = 0.0798 is 8.0798; with a in parallel 4.01985;
    # line 1: 20 log10(4.01985 / 4.09965); line 2: 20 log10(8 / 8.0798).
    more = "length_m = 3\nmm2 = 1.5"
    tables = (
        box("a"),
        box("b"),
        FED,
        line("rack>1", "a", POWER, more),
        line("a", "b", POWER, more),
    )
    first, second = chains(rig(*tables))
    assert first.loss_db == pytest.approx(-0.17074, abs=1e-5)
    assert second.loss_db == pytest.approx(-0.17074 - 0.08621, abs=1e-5)
    assert second.loop_ohm == pytest.approx(0.1596)


def test_a_gauge_counts_like_a_section_and_none_is_not_known() -> None:
    # 12 AWG: 5.21 ohm/km (ASTM B258 diameter, IACS copper), both ways over 10 m.
    gauge = (box("a"), FED, line("rack>1", "a", POWER, "length_m = 10\nawg = 12"))
    assert chains(rig(*gauge))[0].loop_ohm == pytest.approx(0.1042, abs=2e-4)
    bare = (box("a"), FED, line("rack>1", "a", POWER))
    (chain,) = chains(rig(*bare))
    assert (chain.loop_ohm, chain.loss_db, chain.damping) == (None, None, None)
    assert (chain.amplifier, chain.output) == ("rack", 1)


def test_the_damping_of_boxes_in_series_is_not_told() -> None:
    more = "length_m = 1\nmm2 = 4"
    tables = (box("a"), box("b"), FED, line("rack>1", "a", POWER, more),
              line("a", "b", POWER, more + '\njoined = "series"'))  # fmt: skip
    assert [chain.damping for chain in chains(rig(*tables))] == [None, None]


def test_a_chain_runs_from_the_console_through_amplifiers_and_links() -> None:
    tables = (
        box("a", 16),
        box("b", 16),
        line("bus:maud", "second<2"),
        line("second<2", "rack<1"),
        line("rack>1", "a", POWER, "length_m = 7"),
        line("a", "b", POWER, "length_m = 3"),
    )
    assert [chain.lines for chain in chains(rig(*tables))] == [(0, 1, 2), (0, 1, 2, 3)]
    last = chains(rig(*tables))[1]
    assert last.source == Socket("bus", "maud") and last.length_m == 20.0
    assert (last.amplifier, last.output) == ("rack", 1)


def test_what_breaks_something_is_told_first() -> None:
    tables = (box("a", None), box("b"), line("bus:maud", "a", POWER), line("bus:maud", "b"))
    assert [wrong.fit for wrong in joins(rig(*tables))] == [Fit.REFUSE, Fit.WARN]


def test_every_wrong_join_says_what_to_do() -> None:
    tables = (*boxes(8, 8, 8), box("loud", None), line("c", "loud"), box("d"),
              line("bus:bela", "d"), line("bus:bela", "loud"))  # fmt: skip
    wrong = joins(rig(*tables))
    assert len({each.kind for each in wrong}) >= 5
    assert all(each.text and each.remedy for each in wrong)


def test_five_hundred_boxes_in_a_row_are_no_trouble() -> None:
    names = [f"box{n}" for n in range(500)]
    lines = [line(a, b) for a, b in pairwise(names)]
    tables = [*(box(name, None) for name in names), line("bus:maud", names[0]), *lines]
    assert len(chains(rig(*tables))[-1].lines) == 500
    assert joins(rig(*tables)) == ()
