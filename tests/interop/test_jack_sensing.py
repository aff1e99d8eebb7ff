"""Active sensing through a real driver: the helper lets it through, and its end is a loss."""

from __future__ import annotations

import asyncio

import pytest
from jack_desk import PlayerMaker
from test_jack_links import PORT_S, plugged, run, wired
from waiting import soon

pytestmark = pytest.mark.jack

SENSING, CHANGE = b"\xfe", b"\xb0\x07\x40"


def test_a_device_that_stops_saying_that_it_is_there_is_lost_and_comes_back(
    midi_player: PlayerMaker,
) -> None:
    async def main() -> None:
        player = await plugged(midi_player, "Sensible")
        async with wired("Sensible*", needs="in") as wires:
            await wires.becomes("open")
            for _ in range(20):
                player.play(SENSING)
                player.play(CHANGE)
                await asyncio.sleep(0.1)
            assert wires.states[-1] == "open" and CHANGE in wires.data
            await wires.becomes("lost")

            def played() -> bool:
                player.play(SENSING)
                return wires.link.state == "open"

            await soon(played, "the device to be back", PORT_S)
            assert SENSING not in wires.data

    run(main())
