"""The numbering of parameters. Pure."""

from __future__ import annotations

import pytest

from bridge.rig.layout import KINDS, Kind, Layout, Parameter, Place, Scope

CHANNELS = ("kick", "accordion", "voice")
BUSES = ("kit", "squeeze")
PERFORMERS = ("ines", "tomas", "maud")
GROUPS = ("drums",)
SMALL = Layout(CHANNELS, BUSES, PERFORMERS, GROUPS)
ONE = Layout(("voice",), ("maud",))
LARGE = Layout(tuple(f"c{n}" for n in range(64)), tuple(f"b{n}" for n in range(32)))
each_layout = pytest.mark.parametrize("layout", [SMALL, ONE, LARGE], ids=["small", "one", "large"])


@each_layout
def test_every_slot_has_a_place_and_every_place_leads_back(layout: Layout) -> None:
    places = [layout.place(slot) for slot in layout]
    assert [layout.slot(*place) for place in places] == list(range(layout.size))
    assert len(set(places)) == layout.size


@each_layout
def test_the_slots_of_all_parameters_cover_the_layout_without_gap_or_overlap(
    layout: Layout,
) -> None:
    together = [slot for parameter in Parameter for slot in layout.slots(parameter)]
    assert sorted(together) == list(range(layout.size))


@each_layout
def test_the_slots_of_a_parameter_are_its_own(layout: Layout) -> None:
    for parameter in Parameter:
        found = {layout.place(slot).parameter for slot in layout.slots(parameter)}
        assert found <= {parameter}
        assert layout.base(parameter) == layout.slots(parameter).start


def test_there_are_as_many_slots_as_things() -> None:
    counts = {parameter: len(SMALL.slots(parameter)) for parameter in Parameter}
    expected = {
        Scope.CHANNEL: 3,
        Scope.CELL: 6,
        Scope.BUS: 2,
        Scope.PERFORMER: 4,  # three, and everybody
        Scope.GROUP: 1,
        Scope.PRESET: 0,
        Scope.WHOLE: 1,
    }
    assert counts == {parameter: expected[scope] for parameter, (_, scope) in KINDS.items()}
    assert SMALL.size == sum(counts.values())


def test_cells_lie_side_by_side_channel_by_channel() -> None:
    base = SMALL.base(Parameter.SEND_LEVEL)
    found = [SMALL.slot(Parameter.SEND_LEVEL, c, b) - base for c in range(3) for b in range(2)]
    assert found == [0, 1, 2, 3, 4, 5]


@pytest.mark.parametrize(
    ("parameter", "channel", "bus"),
    [
        (Parameter.SEND_LEVEL, 3, 0),
        (Parameter.SEND_LEVEL, 0, 2),  # would be the next channel's first cell
        (Parameter.SEND_LEVEL, 1, -1),  # would be the channel before's last cell
        (Parameter.SEND_LEVEL, -1, 0),
        (Parameter.SEND_LEVEL, -1, -1),
        (Parameter.CHANNEL_FADER, 3, -1),
        (Parameter.CHANNEL_FADER, -1, -1),
        (Parameter.BUS_MASTER, -1, 2),
        (Parameter.BUS_MASTER, -1, -1),
        (Parameter.FREEZE, 4, -1),
        (Parameter.GROUP, 1, -1),
        (Parameter.GROUP, -1, -1),
    ],
)
def test_a_place_that_is_not_there_has_no_slot(
    parameter: Parameter, channel: int, bus: int
) -> None:
    with pytest.raises(ValueError, match=f"no {parameter} at channel {channel}, bus {bus}"):
        SMALL.slot(parameter, channel, bus)


@pytest.mark.parametrize("slot", [-1, SMALL.size, SMALL.size + 1000])
def test_a_number_outside_the_layout_has_no_place(slot: int) -> None:
    with pytest.raises(ValueError, match=f"no slot {slot} in 0..{SMALL.size - 1}"):
        SMALL.place(slot)


def test_a_freeze_without_performer_is_everybody() -> None:
    everybody = SMALL.slot(Parameter.FREEZE)
    assert everybody == SMALL.slots(Parameter.FREEZE)[-1]
    assert SMALL.place(everybody) == Place(Parameter.FREEZE)
    assert SMALL.place(everybody - 1) == Place(Parameter.FREEZE, 2)


@pytest.mark.parametrize(
    ("place", "name"),
    [
        (Place(Parameter.SEND_LEVEL, 1, 0), "send level of accordion in kit"),
        (Place(Parameter.SEND_PAN, 2, 1), "send pan of voice in squeeze"),
        (Place(Parameter.CHANNEL_MUTE, 0), "channel mute of kick"),
        (Place(Parameter.BUS_MASTER, -1, 1), "bus master of squeeze"),
        (Place(Parameter.FREEZE, 2), "freeze of maud"),
        (Place(Parameter.FREEZE), "freeze"),
        (Place(Parameter.GROUP, 0), "group of drums"),
        (Place(Parameter.SILENCE), "silence all"),
    ],
)
def test_a_slot_is_named_in_words(place: Place, name: str) -> None:
    assert SMALL.name(SMALL.slot(*place)) == name


@each_layout
def test_no_two_slots_share_a_name(layout: Layout) -> None:
    assert len({layout.name(slot) for slot in layout}) == layout.size


def test_every_parameter_says_what_its_value_means() -> None:
    assert set(KINDS) == set(Parameter)
    assert {kind for kind, _ in KINDS.values()} == set(Kind)
