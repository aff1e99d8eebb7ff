"""Random controls, random hands: the entry that is learned understands what they do next. Pure.

The hand follows what the lesson says and knows nothing else; the device speaks through the
project's own encoders. What the entry makes of a second movement is compared with where the hand
was: a place within one unit of the control, a click exactly.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import pytest
from hypothesis import given, settings
from hypothesis import strategies as some
from learning_hands import BOX, PAGE, Said, Taught, study, sweep, trembling

from bridge.house import controller_words
from bridge.learning.lesson import Step
from bridge.learning.watch import KEYS_MAX, SAMPLES_MAX, TAKES_MAX, Direction, Watch
from bridge.maps.load import parse_map
from bridge.maps.move import FLIP, STEP, Move
from bridge.wire import midi_encode as say
from bridge.wire import osc

Say = Callable[[int], tuple[bytes, ...]]


@dataclass(frozen=True)
class Device:
    """A control: its name, its highest number, how it says one, and over which language."""

    name: str
    top: int
    say: Say
    language: str = "midi"
    slow: int = 60

    def __repr__(self) -> str:
        return self.name


def turned(message: Say) -> Say:
    """The same with the two halves of the value the other way round."""
    return lambda value: (*message(value)[:-2], *message(value)[:-3:-1])


def in_floats(value: int) -> tuple[bytes, ...]:
    return (osc.encode("/my/x", "f", (value / 1000,)),)


PLACES = [
    Device("controller", 127, lambda v: say.control_change(3, 70, v)),
    Device("pair", 16383, lambda v: say.control_change_14(3, 12, v)),
    Device("pair, fine half first", 16383, turned(lambda v: say.control_change_14(3, 12, v))),
    Device("nrpn", 16383, lambda v: say.nrpn(4, 1000, v)),
    Device("nrpn, fine half first", 16383, turned(lambda v: say.nrpn(4, 1000, v))),
    Device("nrpn, 7 bit", 127, lambda v: say.nrpn(4, 1000, v << 7)[:3]),
    Device("rpn", 16383, lambda v: say.rpn(4, 1000, v)),
    Device("pitch bend", 16383, lambda v: say.pitch_bend(9, v)),
    Device("pressure", 127, lambda v: say.channel_pressure(9, v)),
    Device("float", 1000, in_floats, "osc"),
    Device("whole", 255, lambda v: (osc.encode("/my/x", "i", (v,)),), "osc"),
]


def paths(device: Device, direction: str, seed: int) -> list[int]:
    """How a hand moves it when it was asked to."""
    slow = max(1, device.top // device.slow)
    whole = sweep(device.top, most=slow, seed=seed)
    top = whole.index(device.top)
    return {"up": whole[: top + 1], "down": whole[top:]}.get(direction, whole)


def asked(taught: Taught) -> str:
    """What the last line asks for: up, down, or all of it."""
    last = taught.said[-1]
    return "up" if "only up" in last else "down" if "only down" in last else "all"


def learned(device: Device, seed: int, *, noisy: bool = False) -> Taught:
    taught = Taught(2, PAGE) if device.language == "osc" else Taught(0, BOX)
    direction = "all"
    for again in range(6):
        if taught.step is not Step.WATCHING:
            break
        places = paths(device, direction, seed + again)
        places = trembling(places, seed) if noisy else places
        taught.hear([device.say(place) for place in places])
        direction = asked(taught)
    taught.type("send level voice 1" if device.language == "osc" else "send level voice", "write")
    assert taught.step is Step.DONE, taught.said
    return taught


def moves(taught: Taught, said: Said) -> Iterator[list[Move]]:
    map_file = parse_map(taught.text, "box.toml")
    words = controller_words(taught.study.rig, taught.study.number, map_file)
    for number, messages in enumerate(said):
        found: list[Move] = []
        for one in messages:
            found += words.decode(one, float(number))
            assert words.unknown == 0, words.last_unknown
        yield found


SEEDS = some.integers(0, 2**32 - 1)


@pytest.mark.parametrize("device", PLACES, ids=repr)
@given(seed=SEEDS, most=some.integers(1, 40))
@settings(max_examples=25, deadline=None)
def test_a_learned_place_is_understood_within_one_unit(
    device: Device, seed: int, most: int
) -> None:
    taught = learned(device, seed)
    chance = random.Random(seed)
    places = [chance.randint(0, device.top) for _ in range(most)]
    for place, found in zip(places, moves(taught, [device.say(p) for p in places]), strict=True):
        assert found, f"{place} said nothing"
        assert abs(found[-1].position * device.top - place) <= 1.0


@given(seed=SEEDS)
@settings(max_examples=60, deadline=None)
def test_a_trembling_potentiometer_is_learned_as_a_place(seed: int) -> None:
    taught = learned(PLACES[0], seed, noisy=True)
    found = list(moves(taught, [PLACES[0].say(100)]))
    assert round(found[0][-1].position * 127) == 100


@pytest.mark.parametrize("coding", sorted(say.RELATIVE))
@given(
    up=some.lists(some.integers(1, 12), min_size=4, max_size=40),
    down=some.lists(some.integers(1, 12), min_size=4, max_size=40),
    then=some.lists(some.integers(-24, 24).filter(bool), min_size=1, max_size=20),
)
@settings(max_examples=80, deadline=None)
def test_learned_clicks_are_understood_exactly(
    coding: str, up: list[int], down: list[int], then: list[int]
) -> None:
    def words(steps: list[int]) -> Said:
        return [say.control_change(1, 16, say.encode_relative(coding, one)) for one in steps]

    taught = Taught()
    ways = {"all": [*up, *(-one for one in down)], "up": up, "down": [-one for one in down]}
    direction = "all"
    for _ in range(6):
        if taught.step is Step.WATCHING:
            taught.hear(words(ways[direction]))
            direction = asked(taught)
    taught.type("bus master", "write")
    assert taught.step is Step.DONE, taught.said
    for step, found in zip(then, moves(taught, words(then)), strict=True):
        assert [(one.action, one.value) for one in found] == [(STEP, step * 0.5)]


BUTTONS: list[Callable[[bool], tuple[bytes, ...]]] = [
    lambda on: say.note(2, 40, 99 if on else 0),
    lambda on: say.control_change(2, 40, 127 if on else 0),
    lambda on: say.control_change(2, 40, 9 if on else 3),
    lambda on: say.nrpn(2, 40, 16383 if on else 0),
]


@pytest.mark.parametrize("word", range(len(BUTTONS)))
@given(
    on_s=some.lists(some.floats(0.05, 0.25), min_size=3, max_size=6),
    off_s=some.floats(0.6, 1.0),
)
@settings(max_examples=25, deadline=None)
def test_a_learned_button_flips_once_a_press(word: int, on_s: list[float], off_s: float) -> None:
    button = BUTTONS[word]
    taught = Taught()
    for one_s in on_s:
        taught.hear([button(True)], gap_s=one_s, still_s=0.0)
        taught.hear([button(False)], gap_s=off_s, still_s=0.0)
    taught.hear([], still_s=2.0)
    if taught.step is Step.WATCHING:
        taught.hear([button(True)], gap_s=2.0, still_s=0.0)
        taught.hear([button(False)], still_s=2.0)
    taught.type("send on voice toggle", "write")
    assert taught.step is Step.DONE, taught.said
    found = [one for step in moves(taught, [button(n % 2 == 0) for n in range(6)]) for one in step]
    assert [one.action for one in found] == [FLIP] * 3


# -- hostile streams ----------------------------------------------------------------------------


@given(data=some.lists(some.binary(max_size=40), max_size=200), midi=some.booleans())
@settings(max_examples=150, deadline=None)
def test_rubbish_never_raises_and_is_bounded(data: list[bytes], midi: bool) -> None:
    taught = Taught(0, BOX) if midi else Taught(2, PAGE)
    taught.hear([(one,) for one in data])
    taught.type("", "is 1", "bus master", "step", "write", "again")
    assert taught.step in Step


@given(seed=SEEDS)
@settings(max_examples=30, deadline=None)
def test_every_stream_of_short_messages_is_survived(seed: int) -> None:
    chance = random.Random(seed)
    taught = Taught()
    said: Said = []
    for _ in range(400):
        status = chance.choice((0x80, 0x90, 0xA0, 0xB0, 0xB0, 0xB0, 0xC0, 0xD0, 0xE0, 0xF0))
        size = {0xC0: 1, 0xD0: 1}.get(status, 2)
        low = chance.randint(0, 1)
        number = chance.choice((6, 38, 98, 99, 100, 101, 7, 39))
        said.append((bytes((status | low, number, chance.randint(0, 127))[: size + 1]),))
    taught.hear(said)
    for line in ("", "is 2", "send level voice", "write"):
        taught.type(line)
    parse_map(taught.text, "box.toml")


def test_what_is_kept_is_bounded_whatever_comes() -> None:
    watch = Watch("osc")
    for take in range(TAKES_MAX + 4):
        watch.begin(Direction.UP)
        for number in range(2 * KEYS_MAX):
            watch.hear(osc.encode(f"/a{number}/{take}", "i", (1,)), 1.0)
        for value in range(2 * SAMPLES_MAX):
            watch.hear(osc.encode("/a1/0", "i", (value,)), 1.0)
    assert len(watch.takes) == TAKES_MAX
    assert all(len(take.traces) <= KEYS_MAX for take in watch.takes)
    kept = [len(one.samples) for take in watch.takes for one in take.traces.values()]
    assert max(kept) <= SAMPLES_MAX and watch.left_out > 0


@pytest.mark.parametrize(
    ("tags", "row"),
    [("i" * 17, (1,) * 17), ("s", ("x" * 201,)), ("b", (b"x",)), ("[ii]", ((1, 2),))],
)
def test_messages_that_no_map_could_say_are_counted_and_not_kept(
    tags: str, row: tuple[object, ...]
) -> None:
    watch = Watch("osc")
    watch.hear(osc.encode("/a", tags, row), 1.0)
    if tags == "b":
        assert watch.takes[0].traces["/a"].samples[0].value == (("b", None),)
    else:
        assert watch.heard == 0 and watch.meaningless


def test_unknown_meanings_are_counted_for_a_bounded_number_of_kinds() -> None:
    watch = Watch("midi")
    for number in range(500):
        watch.hear(bytes((0xF0, number >> 7, number & 0x7F, 0xF7)), 1.0)
    assert len(watch.meaningless) <= KEYS_MAX


def test_the_study_of_a_performer_and_of_the_engineer_differ() -> None:
    assert study(0).person == "Ines" and study(1).person == "Ruth"
