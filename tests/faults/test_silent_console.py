"""Consoles that answer only when they are asked for everything at once."""

import pytest
from support.whole import KINDS, MAPPINGS, Run

from bridge.maps.load import parse_map

NAME = "console-midi-nrpn.toml"


def without_probe() -> str:
    lines = (MAPPINGS / NAME).read_text().splitlines()
    return "\n".join(line for line in lines if not line.startswith(("probe", "alive")))


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_a_console_that_need_not_answer_is_not_lost_because_it_is_silent(seed: int) -> None:
    run = Run(seed, KINDS["nrpn"], seconds=100.0, faults=False)
    run.maps[NAME] = parse_map(without_probe(), NAME)
    states: list[str] = []

    def watch(daemon: object) -> None:
        console = daemon.house.console  # type: ignore[attr-defined]
        lost = console.link_lost
        console.link_lost = lambda *args: states.append("lost") or lost(*args)

    run.sabotage = watch
    assert run.judged().ok
    assert states == []
