"""Lines of a stage that cannot be: circles, and two lines into one input with one mix."""

from __future__ import annotations

from support.staged import ROOM, STAGE, faults

from bridge.rig.rig import parse_rig

LOOPED = """\
[[loudspeaker]]
id = "{id}"
bus = "front"
at = [0.0, 5.0, 0.3]
coverage_deg = 360
active = true
spl_1m_db = 94
"""
LINE = '[[line]]\nfrom = {a}\nto = {b}\ncable = "signal"\nlength_m = 1\n'


def line(a: str, b: str) -> str:
    return LINE.format(a=a, b=b)


def speaker(name: str) -> str:
    return f'{{ loudspeaker = "{name}" }}'


def test_a_line_from_a_thing_to_itself_is_found() -> None:
    told = faults(ROOM + STAGE + line(speaker("wedge"), speaker("wedge")))
    assert any("line.3.to: where the line starts -> something else" in fault for fault in told)


def test_link_throughs_in_a_circle_are_found() -> None:
    boxes = "".join(LOOPED.format(id=name) for name in "abc")
    lines = "".join(line(speaker(a), speaker(b)) for a, b in ("ab", "bc", "ca"))
    (told,) = faults(ROOM + STAGE + boxes + lines)
    assert told.split(" ", 1)[1] == (
        "line.5: a line that closes a circle -> lines that lead from the console on"
    )


def test_a_circle_through_an_amplifier_is_found() -> None:
    lines = line('{ amplifier = "rack", output = 2 }', '{ amplifier = "rack", input = 2 }')
    (told,) = faults(ROOM + STAGE + lines)
    assert "line.3: a line that closes a circle" in told


def test_the_link_of_one_input_may_feed_the_next_one_of_the_same_amplifier() -> None:
    lines = line('{ amplifier = "rack", input = 1 }', '{ amplifier = "rack", input = 2 }')
    assert parse_rig(ROOM + STAGE + lines, "r")


def test_a_row_of_boxes_is_no_circle() -> None:
    boxes = "".join(LOOPED.format(id=name) for name in "abc")
    lines = "".join(line(speaker(a), speaker(b)) for a, b in ("ab", "bc"))
    assert parse_rig(ROOM + STAGE + boxes + lines, "r")


def test_the_same_mix_into_one_input_twice_is_found() -> None:
    (told,) = faults(ROOM + STAGE + line('{ bus = "front" }', speaker("wedge")))
    assert told.split(" ", 1)[1] == "line.3.to: loudspeaker wedge again -> one line into it"
    again = line('{ amplifier = "rack", output = 1 }', speaker("fill"))
    assert "line.3.to: loudspeaker fill again" in faults(ROOM + STAGE + again)[0]


def test_two_mixes_into_one_input_are_no_fault_of_the_file() -> None:
    """Somebody may join them; the plan and the check warn of it."""
    assert parse_rig(ROOM + STAGE + line('{ bus = "kit" }', speaker("wedge")), "r")


def test_as_many_things_as_a_rig_may_have_are_checked_in_a_second() -> None:
    boxes = "".join(LOOPED.format(id=f"b{n}") for n in range(500))
    lines = "".join(line(speaker(f"b{n}"), speaker(f"b{n + 1}")) for n in range(499))
    assert len(parse_rig(ROOM + STAGE + boxes + lines, "r").file.line) == 502
