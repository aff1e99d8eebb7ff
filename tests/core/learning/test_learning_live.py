"""Learning at a running bridge: whose movements teach, what a page sees, what is in force. I/O."""

from __future__ import annotations

import math
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from learning_hands import BOX, MAPPINGS, RIG, Said, controls, sweep
from support.onloop import on_loop

from bridge.learning import live as module
from bridge.learning.live import ALONE_S, WAITING_MAX, Live
from bridge.maps.controller import ControllerWords
from bridge.maps.load import parse_map
from bridge.rig.load import load_rig

FADER = controls(7, sweep(127, most=2))


class Bridge:
    """The controllers of a bridge, as far as learning needs them.

    Attributes:
        taught: Controllers whose movements are left out now.
        words: What controllers mean since something was written.
    """

    def __init__(self) -> None:
        self.taught: set[int] = set()
        self.words: dict[int, ControllerWords] = {}

    def learn(self, number: int, on: bool) -> None:
        (self.taught.add if on else self.taught.discard)(number)

    def exchange(self, number: int, words: ControllerWords) -> None:
        self.words[number] = words


class Page:
    """One engineer's page: what it says, and how time passes."""

    def __init__(self, path: Path) -> None:
        self.path, self.bridge = path, Bridge()
        self.live = Live(load_rig(path), self.bridge)
        self.now_s = 10.0

    async def begin(self, number: int = 0) -> None:
        assert self.live.begin(number, self.now_s) == ""
        await self.live.rest()

    async def say(self, word: str, number: int = 0, amount: float = math.nan) -> str:
        refused = self.live.act(word, number, amount, now_s=self.now_s)
        await self.live.rest()
        return refused

    def move(self, said: Said, number: int = 0) -> None:
        for messages in said:
            self.live.heard(number, messages, self.now_s)
            self.now_s += 0.01
            self.live.look(self.now_s)
        self.now_s += 2.0
        self.live.look(self.now_s)

    async def pick(self, *words: str) -> None:
        for word in words:
            answers = self.see("answers")
            assert isinstance(answers, list)
            assert await self.say("pick", [one[0] for one in answers].index(word)) == ""

    def see(self, key: str) -> object:
        return self.live.picture().get(key)


@pytest.fixture
def page(tmp_path: Path) -> Page:
    (tmp_path / "rig.toml").write_text(RIG.replace("{port}", "9311"))
    (tmp_path / "box.toml").write_text(BOX)
    shutil.copy(MAPPINGS / "console-osc-position.toml", tmp_path / "desk.toml")
    return Page(tmp_path / "rig.toml")


@on_loop
async def test_a_fader_is_learned_by_numbers_and_in_force_at_once(page: Page) -> None:
    await page.begin()
    assert page.see("step") == "watching" and "Move one control" in str(page.see("asks"))
    page.move(FADER)
    assert page.see("taken") == 0 and page.see("question") == "What shall it move?"
    await page.pick("send level", "accordion")
    assert page.see("complete") is True and 'channel = "accordion"' in str(page.see("entry"))
    page.move(controls(7, [127]))
    assert page.see("does") == (
        "would move send level of accordion in Ines to -3.0 dB (position 1.000)"
    )
    assert await page.say("write") == ""
    assert page.see("step") == "done" and "box.toml" in str(page.see("remarks"))
    text = page.path.with_name("box.toml").read_text()
    assert text.startswith(BOX) and len(parse_map(text, "box.toml").midi) == 3
    words = page.bridge.words[0]
    assert [one.position for one in words.decode(controls(7, [127])[0][0], 0.0)] == [1.0]


@on_loop
async def test_only_the_controller_that_is_learned_at_is_left_out_and_only_until_the_end(
    page: Page,
) -> None:
    await page.begin()
    assert page.bridge.taught == {0}
    page.move(FADER, number=2)
    assert page.see("heard") == 0
    await page.say("through", 1)
    assert page.bridge.taught == set() and page.see("through") is True
    await page.say("through", 0)
    assert page.bridge.taught == {0}
    await page.say("end")
    assert page.bridge.taught == set() and page.see("controller") == ""


@on_loop
async def test_a_lesson_that_nobody_answers_gives_the_controller_back(page: Page) -> None:
    await page.begin()
    while page.now_s < ALONE_S + 11.0:  # its movements alone do not keep it
        page.move(FADER)
    assert page.bridge.taught == set() and "nobody answered" in str(page.see("over"))


@on_loop
async def test_a_forgotten_lesson_ends_with_the_next_movement_though_nobody_looks(
    page: Page,
) -> None:
    await page.begin()
    page.live.heard(0, [b"\xb0\x07\x01"], page.now_s + ALONE_S + 1.0)
    assert page.bridge.taught == set()


@on_loop
async def test_an_amount_comes_with_the_answer_that_has_one(page: Page) -> None:
    await page.begin()
    for _ in range(3):
        page.live.heard(0, [b"\x90\x3c\x64"], page.now_s)
        page.now_s += 0.1
        page.live.heard(0, [b"\x90\x3c\x00"], page.now_s)
        page.now_s += 0.6
    page.now_s += 2.0
    page.live.look(page.now_s)
    await page.pick("bus master")
    answers = page.see("answers")
    assert isinstance(answers, list) and [one[1] for one in answers] == [True, True]
    await page.say("pick", 0, -3.0)
    assert "step_db = -3.0" in str(page.see("entry"))


@on_loop
async def test_a_clash_is_shown_and_cannot_be_written(page: Page) -> None:
    await page.begin()
    page.move(controls(20, sweep(127, most=2)))
    assert "The map has it already" in str(page.see("remarks"))
    await page.pick("bus master")
    assert page.see("complete") is False and "'big knob'" in str(page.see("remarks"))
    await page.say("write")
    assert page.path.with_name("box.toml").read_text() == BOX and not page.bridge.words


@on_loop
async def test_what_is_heard_while_something_is_worked_out_waits_and_is_bounded(
    page: Page,
) -> None:
    assert page.live.begin(0, page.now_s) == ""
    assert page.see("busy") is True
    for messages in [*controls(9, [0, 127] * WAITING_MAX), *FADER]:
        page.live.heard(0, messages, page.now_s)
        page.now_s += 0.001
    assert page.live.act("write", now_s=page.now_s).startswith("one moment")
    await page.live.rest()
    page.live.look(page.now_s)
    assert 0 < int(str(page.see("heard"))) <= WAITING_MAX


@on_loop
async def test_one_lesson_at_a_time_at_a_controller_that_is_there(page: Page) -> None:
    for number in (-1, 3, 2**31):
        assert page.live.begin(number, 0.0) == "there is no such controller"
    assert page.live.act("again", now_s=0.0) == "nothing is being learned"
    await page.begin()
    assert page.live.begin(1, page.now_s) == "ines-box is being learned at: end that"
    assert await page.say("dance") == "there is no such word"


@on_loop
async def test_a_map_that_cannot_be_read_ends_the_lesson_with_its_fault(page: Page) -> None:
    page.path.with_name("box.toml").write_text("[map")
    await page.begin()
    assert page.bridge.taught == set() and "box.toml" in str(page.see("over"))


@on_loop
async def test_a_fault_in_the_lesson_itself_gives_the_controller_back(
    page: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(module, "_study", fails)
    await page.begin()
    assert page.bridge.taught == set() and "the log" in str(page.see("over"))


@on_loop
async def test_a_message_that_breaks_the_lesson_breaks_nothing_else(
    page: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object) -> None:
        raise ZeroDivisionError

    await page.begin()
    monkeypatch.setattr("bridge.learning.watch.Watch.hear", fails)
    page.live.heard(0, [b"\xb0\x07\x01"], page.now_s)
    assert page.bridge.taught == set() and "the log" in str(page.see("over"))


@on_loop
async def test_a_lesson_that_was_ended_while_it_was_prepared_does_not_come_back(
    page: Page,
) -> None:
    assert page.live.begin(0, page.now_s) == ""
    page.live.end()
    await page.live.rest()
    assert page.see("controller") == "" and page.bridge.taught == set()


NUMBERS: list[Callable[[Page], tuple[str, int]]] = [
    lambda _: ("is", -5), lambda _: ("is", 10**6), lambda _: ("pick", -1),
    lambda _: ("pick", 10**6), lambda _: ("write", 0), lambda _: ("back", 0),
    lambda _: ("still", 0), lambda _: ("again", 0),
]  # fmt: skip


@on_loop
async def test_no_number_and_no_order_of_words_breaks_it(page: Page) -> None:
    await page.begin()
    for said in (controls(9, [5]), FADER):
        for first in NUMBERS:
            for second in NUMBERS:
                await page.say(*first(page))
                await page.say(*second(page))
                page.live.picture()
            page.move(said)
    assert page.path.with_name("box.toml").read_text() == BOX
