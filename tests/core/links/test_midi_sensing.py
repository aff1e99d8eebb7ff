"""A MIDI device that said it is there, and stops saying so, is lost; no level moves."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from bridge.links.address import MidiAddress
from bridge.links.base import Batch
from bridge.links.midi import MidiHub, MidiLink
from bridge.simulator import clock

SENSING, NOTE = b"\xfe", b"\x90\x3c\x40"


class OpenEnd:
    """An end whose port is open."""

    output, is_open, port = False, True, object()

    def leave(self) -> None:
        """Nothing to let go of."""


def link(needs: str = "in") -> tuple[MidiLink, list[str], Batch]:
    states: list[str] = []
    heard: Batch = []
    made = MidiLink(
        "foot-board", heard.extend, states.append, address=MidiAddress("Foot"), hub=MidiHub(()),
        needs=needs,
    )  # fmt: skip
    made.state = "opening"
    ends: Any = (OpenEnd(),)
    made._ends = ends
    made.end_changed()
    return made, states, heard


def test_signs_of_life_are_not_delivered_and_their_end_is_a_loss() -> None:
    async def main() -> None:
        made, states, heard = link()
        for _ in range(10):
            made.heard([SENSING], "Foot")
            await asyncio.sleep(0.27)
        assert states == ["open"] and heard == []
        made.heard([NOTE, SENSING], "Foot")
        await asyncio.sleep(0.4)
        assert states == ["open", "lost"] and heard == [(NOTE, "Foot")]
        await asyncio.sleep(60.0)
        made.heard([SENSING], "Foot")
        assert states == ["open", "lost", "open"]
        await made.close()

    clock.run(main())


def test_a_device_without_signs_of_life_may_be_silent_for_hours() -> None:
    async def main() -> None:
        made, states, _ = link()
        made.heard([NOTE], "Foot")
        await asyncio.sleep(7200.0)
        assert states == ["open"]

    clock.run(main())


@pytest.mark.parametrize("needs", ["out", "any"])
def test_a_console_is_not_lost_by_it(needs: str) -> None:
    async def main() -> None:
        made, states, heard = link("any")
        made._needs = needs
        made.heard([SENSING, NOTE], "Desk")
        await asyncio.sleep(5.0)
        assert states == ["open"] and heard == [(NOTE, "Desk")]

    clock.run(main())


def test_a_device_that_is_plugged_in_anew_owes_no_signs_of_life() -> None:
    async def main() -> None:
        made, states, _ = link()
        made.heard([SENSING], "Foot")
        made.unplugged()
        await asyncio.sleep(5.0)
        made.heard([NOTE], "Foot")
        await asyncio.sleep(5.0)
        assert states == ["open"]

    clock.run(main())
