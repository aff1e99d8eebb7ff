"""The fuzzer itself: it is quiet about what is sound, and tells of all that is not. I/O."""

from __future__ import annotations

import re

import fuzz
import fuzz_bytes
import fuzz_run
import fuzz_text
import pytest
from fuzz_house import Broken, FuzzHouse, osc_rig

COUNTS = {
    "osc": 2500, "midi": 1500, "rig": 25, "map": 80, "preset": 300, "journal": 1500, "marks": 300,
    "toml": 120, "recording": 250, "http": 105, "websocket": 205,
}  # fmt: skip
"""Inputs a target: a second or so each."""


def test_every_target_has_its_turn() -> None:
    assert set(COUNTS) == set(fuzz.PURE) | set(fuzz.SOCKETS)


@pytest.mark.parametrize("name", fuzz.PURE)
def test_damaged_input_breaks_nothing(name: str) -> None:
    outcome = fuzz_run.run(name, fuzz.PURE[name], seed=20261125, count=COUNTS[name])
    assert outcome.faults == [], outcome.text()
    assert outcome.inputs == COUNTS[name] and outcome.slowest


@pytest.mark.parametrize("name", fuzz.SOCKETS)
def test_damaged_input_does_not_disturb_a_bridge_that_runs(name: str) -> None:
    with fuzz.maker(name) as make:
        outcome = fuzz_run.run(name, make, seed=20261125, count=COUNTS[name])
    assert outcome.faults == [], outcome.text()
    assert outcome.inputs == COUNTS[name]


# -- what it finds --------------------------------------------------------------------------------


class Planted:
    """A target with a fault: it trips over every input that holds a byte.

    Args:
        act: What happens then.
        at_end: It happens when the epoch ends.
    """

    def __init__(self, seed: str, act: object, *, at_end: bool = False) -> None:
        self._act, self._at_end = act, at_end
        self.make = fuzz_bytes.Mutator(seed, fuzz_bytes.osc_corpus()).make

    def take(self, data: bytes) -> None:
        if b"\x7f" in data and not self._at_end:
            self._act()  # type: ignore[operator]

    def keep(self, data: bytes) -> None:
        pass

    def ended(self) -> None:
        if self._at_end:
            self._act()  # type: ignore[operator]


def crash() -> None:
    raise KeyError("kit")


def breach() -> None:
    raise Broken("louder than its ceiling")


def hang() -> None:
    while True:
        pass


@pytest.mark.parametrize(
    ("act", "at_end", "kind"),
    [(crash, False, "crash"), (breach, False, "broken promise"), (hang, False, "hang"),
     (crash, True, "crash"), (breach, True, "broken promise")],
)  # fmt: skip
def test_a_planted_fault_is_told_with_the_command_that_shows_it_again(
    act: object, at_end: bool, kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(fuzz_run, "HANG_S", 0.05)
    monkeypatch.setattr(fuzz_run, "FOUND_MAX", 3)
    outcome = fuzz_run.run("x", lambda seed: Planted(seed, act, at_end=at_end), seed=3, count=400)
    first = outcome.faults[0]
    assert first.kind == kind
    told = outcome.text()
    again = re.search(r"--seed 3 --epoch (\d+)(?: --count (\d+))?", told)
    assert again, told
    once_more = fuzz_run.run(
        "x", lambda seed: Planted(seed, act, at_end=at_end), seed=3,
        epoch=int(again[1]), count=int(again[2] or 400),
    )  # fmt: skip
    assert once_more.faults == [first]
    assert once_more.inputs == (first.number or 400)


def test_memory_that_grows_is_a_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    sizes = iter((50.0, 50.0 + fuzz_run.GROWTH_MB_MAX + 1))
    monkeypatch.setattr(fuzz_run, "rss_mb", lambda: next(sizes))
    outcome = fuzz_run.run("marks", fuzz_text.marks_target, seed=1, count=5)
    assert [fault.kind for fault in outcome.faults] == ["growth"]


def test_a_target_that_cannot_be_made_is_a_fault() -> None:
    def make(seed: str) -> Planted:
        raise OSError("no such map")

    outcome = fuzz_run.run("x", make, seed=1, count=5)
    assert [fault.kind for fault in outcome.faults] == ["crash"]


def test_the_same_fault_is_told_once() -> None:
    outcome = fuzz_run.run("x", lambda seed: Planted(seed, crash), seed=3, count=3000)
    assert len(outcome.faults) == 1
    assert outcome.inputs < 3000, "and it does not go on for ever"


@pytest.mark.parametrize("corpus", [fuzz_bytes.osc_corpus(), fuzz_bytes.midi_corpus()])
def test_a_seed_gives_the_same_bytes_again_and_another_one_others(corpus: list[bytes]) -> None:
    def first(seed: str) -> list[bytes]:
        mutator = fuzz_bytes.Mutator(seed, corpus)
        return [mutator.make() for _ in range(300)]

    assert first("7/0") == first("7/0") != first("7/1")
    assert len(set(first("7/0"))) > 200
    assert sum(data in corpus for data in first("7/0")) > 20, "good ones come, too"


def test_a_seed_gives_the_same_texts_again() -> None:
    def first(seed: str) -> list[str]:
        mutator = fuzz_text.TextMutator(seed, [fuzz_text.MARKS])
        return [mutator.make() for _ in range(100)]

    assert first("7/0") == first("7/0") != first("7/1")


@pytest.mark.parametrize(
    "act",
    [
        lambda house: setattr(
            house.engine.ceilings, "hard", [20.0] * len(house.engine.matrix.told)
        ),
        lambda house: house.console._send(b"/out/01/level\0\0\0,f\0\0\x3f\x80\0\0"),
    ],
    ids=["ceilings lifted", "a word past the rules"],
)
def test_a_house_that_breaks_a_promise_is_caught_by_its_witness(act: object) -> None:
    house = FuzzHouse(osc_rig())
    act(house.house)  # type: ignore[operator]
    for number, address in ((2, b"/mix/1/level\0\0\0\0"), (2, b"/mix/2/level\0\0\0\0")):
        house.hear(number, [address + b",f\0\0\x3f\x80\0\0"])
        house.pass_time(5.0)
    with pytest.raises(Broken):
        house.ended()


def test_a_run_is_told_and_its_exit_code_says_whether_it_was_clean(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert fuzz.main(["--target", "marks", "--count", "20", "--seed", "5"]) == 0
    assert "marks, seed 5: 20 inputs" in capsys.readouterr().out
    monkeypatch.setitem(fuzz.PURE, "marks", lambda seed: Planted(seed, crash))
    assert fuzz.main(["--target", "marks", "--count", "400"]) == 1
    assert "KeyError: 'kit'" in capsys.readouterr().out
