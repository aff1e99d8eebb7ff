"""The terminal view of a running bridge, in a process of its own. I/O."""

from __future__ import annotations

import asyncio
from typing import Any

from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from bridge.watching import pictures

REFRESH_PER_S = 3
COLUMNS_MAX = 12
"""Buses shown side by side; more do not fit a terminal."""


def shown(level_db: float | None) -> str:
    """A level in a narrow column: ``-6.0``, or ``off``."""
    return "off" if level_db is None else f"{level_db:.1f}"


def cell(level: dict[str, Any]) -> Text:
    """One level: what the console has, where it is going, and whether it stands at its ceiling."""
    told, asked, ceiling = level["told"], level["asked"], level["ceiling"]
    text = Text(shown(told))
    if asked is not None and told is not None and asked - told > 0.05:
        text.append(f" > {shown(asked)}", style="dim")
    if told is not None and ceiling is not None and told >= ceiling - 0.05:
        text.append(" at limit", style="reverse")
    return text


def matrix(picture: dict[str, Any]) -> Table:
    """Channels down, buses across; masters, states and ceilings on top."""
    table = Table(title=f"{picture['rig']}: console {picture['console']}", expand=False)
    table.add_column("dB")
    buses = picture["buses"][:COLUMNS_MAX]
    for bus in buses:
        table.add_column(bus["label"])
    table.add_row("state", *[Text(bus["state"], style="bold") for bus in buses])
    table.add_row("master", *[cell(bus) for bus in buses])
    table.add_row("ceiling", *[f"{shown(bus['ceiling'])} ({bus['rule']})" for bus in buses],
                  end_section=True)  # fmt: skip
    for number, channel in enumerate(picture["channels"]):
        table.add_row(channel, *[cell(bus["sends"][number]) for bus in buses])
    return table


def stage(picture: dict[str, Any]) -> Text:
    """How far the stage is from ringing, and what the ears have had."""
    stands = picture["stage"]
    if stands is None:
        return Text("")
    left = stands["left_db"]
    room = "no loop at all" if left is None else f"{left:+.1f} dB to the feedback margin"
    lines = [f"stage: {room}" + (", past a limit: nothing may rise" if stands["over"] else "")]
    for one in stands["listeners"]:
        kind = "measured" if one["measured"] else "estimate"
        dose = "measured" if one["all_measured"] else "estimate"
        left_s = one["remaining_s"]
        rest = "" if left_s is None else f", {left_s // 60} min left at this level"
        level = "silent" if one["level_db"] is None else f"{one['level_db']:.0f} dB(A)"
        lines.append(
            f"{one['name']}: {level} ({kind}), {one['percent']:g} % of a day ({dose}){rest}"
        )
    return Text("\n".join(lines))


def screen(picture: dict[str, Any]) -> Group:
    """All there is to see."""
    links = Table("link", "state", "received", "sent", "dropped", "refused")
    for link in picture["links"]:
        links.add_row(link["name"], link["state"], *[
            str(link[key]) for key in ("received", "sent", "dropped", "refused")])  # fmt: skip
    counts = ", ".join(f"{number} {name}" for name, number in picture["counts"].items())
    unknown = [f"{name}: {count} messages not understood, the last one {last}"
               for name, (count, last) in picture["unknown"].items()]  # fmt: skip
    troubled = [f"{name}: {why}" for name, why in picture["troubled"].items()]
    told = [f"gestures: {counts}", *picture["verdicts"], *unknown]
    lines = Text("\n".join([*troubled, *told, *picture["memory"]]))
    lines.stylize("bold", 0, len("\n".join(troubled)))
    return Group(matrix(picture), stage(picture), links, lines)


async def watch(address: str) -> None:
    """Show a running bridge until it stops or somebody presses Ctrl-C.

    Raises:
        LinkError: nothing answers at the address, or the bridge stopped.
    """
    console = Console()
    with Live(
        console=console, refresh_per_second=REFRESH_PER_S, screen=console.is_terminal
    ) as live:
        async for picture in pictures(address):
            live.update(screen(picture))


def watch_now(address: str) -> None:
    """``watch`` as a plain call."""
    asyncio.run(watch(address))
