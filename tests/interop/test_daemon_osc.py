"""A running bridge between liblo's programs: hands on one side, a console on the other."""

from __future__ import annotations

import signal
import socket
import time
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest
from bridge_desk import House, Program
from cellar import (
    ACCORDION,
    OFF_DB,
    READ_RIG,
    RIG,
    START_DB,
    Cellar,
    comes_to,
    desk_db,
    levels,
    travel,
)
from liblo_desk import OscDump, Send
from rubbish import LOUD, RUBBISH, strays
from support.told import without_more
from waiting import until

pytestmark = pytest.mark.liblo

MASTER = "/mix/kit fs "
BIG_STEP_DB = 6.0
"""Ramps of the rig rise by half a dB a tick after a step of 3 dB; a machine that runs other tests
meanwhile skips ticks. Without a ramp the steps here would be 10 dB and more."""


def largest_rise(told: list[float]) -> float:
    """The largest step upwards between two words, those from off left out."""
    return max((b - a for a, b in pairwise(told) if a > OFF_DB), default=0.0)


# -- a movement's way ---------------------------------------------------------------------------


def test_a_fader_moved_with_oscsend_comes_out_limited_and_ramped(cellar: Cellar) -> None:
    before, began_s = len(levels(cellar.desk)), time.monotonic()
    cellar.touch("/my/1/level", "f", 1.0)  # 5 dB
    ceiling = f'{ACCORDION}-3.000000 "dB"'  # Ines's own
    cellar.desk.until(lambda lines: lines[-1] == ceiling)
    told = levels(cellar.desk)[before:]
    assert time.monotonic() - began_s > (-3 - START_DB - 3) / 30, "faster than the rig's rise"
    assert max(told) < -2.99
    assert largest_rise(told) < BIG_STEP_DB
    assert len([level for level in told if START_DB < level < -3]) > 10
    cellar.bridge.says(
        "Ines: send level of accordion in kit to 5.0 dB: limited, stands at -3.0 dB: "
        "your limit is -3.0 dB"
    )


def test_a_fader_pulled_down_is_down_with_the_next_word(cellar: Cellar) -> None:
    before = len(levels(cellar.desk))
    cellar.touch("/my/1/level", "f", travel(-50))
    told = comes_to(cellar.desk, -50)[before:]
    assert {round(level) for level in told} <= {START_DB, -50}


def test_every_controller_is_shown_the_start_and_what_became_of_a_wish(cellar: Cellar) -> None:
    assert levels(cellar.tablet, "/my/1/level f ")[0] == pytest.approx(travel(START_DB), abs=1e-5)
    assert levels(cellar.page, "/mix/1/of/1/level f ")
    cellar.touch("/my/1/level", "f", 1.0)
    comes_to(cellar.tablet, travel(-3), "/my/1/level f ")
    comes_to(cellar.page, travel(-3), "/mix/1/of/1/level f ")
    cellar.direct("/mix/1/of/1/level", "f", travel(-40))
    comes_to(cellar.tablet, travel(-40), "/my/1/level f ")


def test_buttons_steps_and_patterns_act_as_the_map_says(cellar: Cellar) -> None:
    cellar.direct("/mix/1/level", "f", travel(START_DB))
    comes_to(cellar.desk, START_DB, MASTER)
    cellar.touch("/my/softer", "")  # 2 dB
    comes_to(cellar.desk, START_DB - 2, MASTER)
    cellar.touch("/my/wheel", "i", 4)  # half a dB each
    comes_to(cellar.desk, START_DB, MASTER)
    cellar.touch("/my/1/on", "i", 0)
    cellar.desk.until(lambda lines: "/mix/kit/accordion/closed T #T" in lines)
    cellar.touch("/my/1/on", "i", 1)
    cellar.touch("/my/*/level", "f", travel(-40))
    comes_to(cellar.desk, -40, "/mix/kit/voice fs ")


# -- who may speak, and rubbish -----------------------------------------------------------------


def refused(picture: dict[str, Any]) -> int:
    """Messages of strangers, at all links."""
    return sum(int(link["refused"]) for link in picture["links"])


def drops(picture: dict[str, Any]) -> int:
    """Everything that was counted and not used."""
    lost = sum(int(link["dropped"]) for link in picture["links"])
    unknown = sum(int(count) for count, _ in picture["unknown"].values())
    return lost + unknown + int(picture["malformed"])


def test_a_sender_that_is_not_declared_is_refused_counted_and_named_once(cellar: Cellar) -> None:
    before = cellar.bridge.picture()
    port = strays(cellar.tablet_port, "127.0.0.2", *[LOUD] * 3)
    after = cellar.bridge.shows(lambda p: refused(p) == refused(before) + 3, "three refusals")
    cellar.bridge.says(f"127.0.0.2 port {port} ")
    assert cellar.bridge.log.count("127.0.0.2 port") == 1
    assert after["counts"] == before["counts"]
    assert comes_to(cellar.desk, START_DB)


def test_a_word_that_no_map_knows_is_named_once_and_counted(cellar: Cellar) -> None:
    before = cellar.bridge.picture()
    for _ in range(3):
        cellar.direct("/mix/first/level", "f", 0.5)
    after = cellar.bridge.shows(lambda p: drops(p) == drops(before) + 3, "the count")
    assert after["unknown"]["page"] == [3, "/mix/first/level ,f"]
    line = cellar.bridge.says("page: /mix/first/level ,f means nothing in ")
    assert "engineer-panel.toml" in line
    assert cellar.bridge.log.count("page: /mix/first") == 1


def test_rubbish_is_counted_and_the_bridge_obeys_afterwards(cellar: Cellar) -> None:
    before = cellar.bridge.picture()
    for number, data in enumerate(RUBBISH, 1):
        strays(cellar.tablet_port, "127.0.0.1", data)
        if number % 5 == 0 or len(data) > 9000:  # the receive buffer holds no more of the longest
            want = drops(before) + number
            cellar.bridge.shows(lambda p: drops(p) >= want, f"{want} counts")  # noqa: B023
    want = drops(before) + len(RUBBISH)
    after = cellar.bridge.shows(lambda p: drops(p) >= want, f"{want} counts")
    assert drops(after) == want
    assert after["counts"] == before["counts"]
    cellar.touch("/my/1/level", "f", travel(-20))
    comes_to(cellar.desk, -20)
    assert "Traceback" not in cellar.bridge.log


def test_a_source_with_a_port_that_nobody_sends_from_is_told_with_what_to_write(
    house: House, oscsend: Send
) -> None:
    """A program like oscsend sends from a new port each time."""
    bridge = house.run(RIG.replace('source = "127.0.0.1"', 'source = "127.0.0.1:9"'))
    for _ in range(2):
        oscsend(house.ports["tablet"], "/my/1/level", "f", 1.0)
    bridge.shows(lambda p: refused(p) == 2, "two refusals")
    line = bridge.says('if it may speak, write source = "127.0.0.1" in its [[controller]]')
    assert "127.0.0.1:9;" in line
    assert bridge.log.count("is refused") == 1


def test_a_source_that_is_a_name_is_heard(house: House, oscsend: Send) -> None:
    bridge = house.run(RIG.replace('source = "127.0.0.1"', 'source = "localhost"'))
    oscsend(house.ports["tablet"], "/my/1/level", "f", 1.0)
    bridge.says("Ines: send level of accordion in kit to 5.0 dB: limited")


# -- a console that answers ---------------------------------------------------------------------


def answered(house: House, oscdump: Callable[..., OscDump]) -> OscDump:
    """What Ines's tablet is shown in a house whose console answers."""
    tablet = oscdump()
    house.ports["shown"] = tablet.port
    return tablet


def stands_at(level_db: float) -> Callable[[dict[str, Any]], bool]:
    """Whether the console was told of the accordion at a level, and nothing else is asked."""
    near = pytest.approx(level_db, abs=0.1)

    def stands(picture: dict[str, Any]) -> bool:
        send = picture["buses"][0]["sends"][0]
        return bool(send["asked"] == near and send["told"] == near)

    return stands


def test_a_move_at_the_desk_is_followed_and_shown_and_its_rubbish_is_not(
    house: House, oscdump: Callable[..., OscDump], oscsend: Send
) -> None:
    tablet = answered(house, oscdump)
    house.simulate(READ_RIG)
    bridge = house.run(READ_RIG)
    bridge.live()
    comes_to(tablet, travel(START_DB), "/my/1/level f ")
    # somebody at the desk: its own word, to itself; the bridge finds it when it reads the desk over
    oscsend(house.ports["console"], "/out/03/in/07/level", "f", 0.3)
    comes_to(tablet, travel(desk_db(0.3)), "/my/1/level f ")
    bridge.shows(stands_at(desk_db(0.3)), "the desk's level")
    strays(house.ports["heard"], "127.0.0.1", *[data for data in RUBBISH if len(data) < 9000])
    bridge.says("console: ", times=3)  # opening, open, and what it does not understand
    bridge.shows(lambda p: "console" in p["unknown"], "a count")
    oscsend(house.ports["tablet"], "/my/1/level", "f", travel(-20))
    comes_to(tablet, travel(-20), "/my/1/level f ")
    bridge.shows(stands_at(-20), "the tablet's level")
    assert "Traceback" not in bridge.log


def test_a_console_that_was_away_is_named_and_comes_back_and_the_witness_is_content(
    house: House, oscdump: Callable[..., OscDump], oscsend: Send
) -> None:
    answered(house, oscdump)
    bridge = house.run(READ_RIG)
    bridge.says("console reading: nothing is told before it has answered")
    oscsend(house.ports["tablet"], "/my/1/level", "f", 0.5)
    bridge.says("refused: the console has not been read yet")
    record = house.folder / "run.jsonl"
    stand_in = house.simulate(READ_RIG, "--record", str(record))
    bridge.live()
    for position in (1.0, 0.2, 1.0):
        oscsend(house.ports["tablet"], "/my/*/level", "f", position)
    bridge.shows(stands_at(-3), "her ceiling")
    assert stand_in.end() == 0
    witness = house.command("witness", record)
    bridge.says("console lost: nothing rises until it answers again")
    oscsend(house.ports["tablet"], "/my/1/level", "f", 0.9)
    oscsend(house.ports["tablet"], "/my/2/level", "f", 0.1)
    house.simulate(READ_RIG)
    bridge.says("console live", times=2)
    assert witness.ended() == 0, witness.log


# -- beginnings and ends ------------------------------------------------------------------------


def test_a_busy_port_is_an_error_in_one_line(house: House) -> None:
    house.rig(RIG)
    with (
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as tablet,
        socket.socket(socket.AF_INET, socket.SOCK_STREAM) as watch,
    ):
        tablet.bind(("127.0.0.1", house.ports["tablet"]))
        watch.bind(("127.0.0.1", house.port("other", socket.SOCK_STREAM)))
        watch.listen()
        failed = house.fail(RIG, RIG.replace("<watch>", "<other>"))
    first, second = (without_more(said).splitlines()[-1] for said in failed)
    port, other = house.ports["tablet"], house.ports["other"]
    assert f"port {port} is taken by another program; stop that program" in first
    assert second.startswith(f"daemon.watch: tcp://127.0.0.1:{other}: ")
    assert "stop what uses this port, or name another" in second


def test_faults_in_rig_and_maps_are_told_with_their_lines_before_anything_runs(
    house: House,
) -> None:
    text = '[map]\nname = "x"\nkind = "controller"\n[[osc]]\nparameter = "sond"\n'
    own = house.write("own.toml", text)
    rig, bad_map, no_map = house.fail(
        RIG.replace("step_db = 3", "step_db = 30\nsteps = 3"),
        RIG.replace("<maps>/tablet.toml", "own.toml"),
        RIG.replace("<maps>/tablet.toml", "none.toml"),
    )
    path = house.folder / "rig-0.toml"
    assert [line.partition(": ")[0] for line in without_more(rig).splitlines()] == [
        f"{path}:9 limits.step_db",
        f"{path}:10 limits.steps",
    ]
    assert f"{own}:5" in bad_map and "sond" in bad_map
    assert "controller.0.map: " in no_map and "No such file or directory" in no_map
    assert str(house.folder / "none.toml") in no_map
    assert all(" ready: " not in said for said in (rig, bad_map, no_map))


def interrupt(bridge: Program) -> None:
    bridge.press_ctrl_c()


def terminate(bridge: Program) -> None:
    bridge.process.send_signal(signal.SIGTERM)


@pytest.mark.parametrize("ask", [interrupt, terminate])
def test_the_end_is_clean_and_raises_nothing(
    house: House,
    oscdump: Callable[..., OscDump],
    oscsend: Send,
    ask: Callable[[Program], None],
) -> None:
    desk = oscdump()
    house.ports["console"] = desk.port
    bridge = house.run(RIG)
    comes_to(desk, START_DB)
    oscsend(house.ports["tablet"], "/my/1/level", "f", 1.0)
    until(lambda: max(levels(desk)) > -25, 10, "a ramp under way")
    ask(bridge)
    assert bridge.ended() == 0
    assert bridge.lines[-1].endswith("stopped; the console is left as it is")
    assert "Traceback" not in bridge.log
    oscsend(desk.port, "/the/end", "")  # after everything that the bridge has sent
    desk.until(lambda lines: lines[-1].startswith("/the/end"))
    assert largest_rise(levels(desk)) < BIG_STEP_DB
    assert levels(desk)[-1] < -4, "the ramp was run to its end"
