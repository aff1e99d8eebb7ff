"""The rig that is played in real time: sixteen channels, eight mixes, eight people. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

CHANNELS, PEOPLE = 16, ("ines", "maud", "ruth", "odo", "wim", "lea", "kasper", "tilda")
"""Every one of the people has one mix."""

BOARD = "soak-board"
"""The name of the MIDI board's ports."""

FIRST_CONTROL = 20
"""The board's controller for the first channel."""

PASSPHRASE = "the ferry leaves at seven"
ANSWER_S, DELAY_S = 1.0, 0.05


@dataclass(frozen=True)
class Places:
    """Where everybody is.

    Attributes:
        bridge: The bridge's address.
        desk: The console's address.
        near: Addresses of the tablets, one a person, the engineer's last.
        hands: Port at which the bridge hears tablets.
        console: Port at which it hears the console.
        desk_port: The console's port.
        pages: Port of the pages.
        health: Port of health, on the bridge's own loopback.
        watch: Port of the live view, there too.
    """

    bridge: str
    desk: str
    near: tuple[str, ...]
    hands: int
    console: int
    desk_port: int
    pages: int
    health: int
    watch: int

    @property
    def base(self) -> str:
        """Where browsers find the pages."""
        return f"http://{self.bridge}:{self.pages}"


def files(
    places: Places, maps: Path, journal: Sequence[Path], secret: str, *, midi: bool
) -> dict[str, str]:
    """Names to texts of the rig and of the board's map.

    Args:
        places: Where everybody is.
        maps: Folder of the shipped maps.
        journal: The journal's folder, and the one for what is kept in memory.
        secret: The engineer's passphrase as a rig has it.
        midi: Whether there is a board.
    """
    open_to = "false" if places.bridge.startswith("127.") else "true"
    head = f"""
[rig]
name = "Ferry Lane, all night"
[limits]
send_ceiling_db = 3
master_ceiling_db = 0
rise_db_per_s = 12
ramp_floor_db = -50
[console]
map = "{maps}/console-osc-position.toml"
send = "udp://{places.desk}:{places.desk_port}"
listen = "udp://{places.bridge}:{places.console}"
delay_s = {DELAY_S}
answer_s = {ANSWER_S}
channel_mute_cuts = ["post"]
[pages]
listen = "{places.bridge}:{places.pages}"
open_to_network = {open_to}
engineer = "{secret}"
[health]
listen = "127.0.0.1:{places.health}"
[daemon]
watch = "tcp://127.0.0.1:{places.watch}"
[journal]
directory = "{journal[0]}"
memory = "{journal[1]}"
"""
    parts = [head, *_channels(), *_mixes(places, maps)]
    parts.append(_controller("panel", "engineer", f"{maps}/engineer-panel.toml", places, -1))
    if midi:
        parts.append(
            f'[[controller]]\nid = "board"\nhands = "{PEOPLE[0]}"\nmap = "board.toml"\n'
            f'midi = "{BOARD}*"\n'
        )
    return {"rig.toml": "".join(parts), "board.toml": _BOARD_MAP}


def _channels() -> list[str]:
    return [f'[[channel]]\nid = "c{n}"\nconsole = {n}\n' for n in range(1, CHANNELS + 1)]


def _mixes(places: Places, maps: Path) -> list[str]:
    parts = []
    for number, who in enumerate(PEOPLE):
        tap = "post" if number % 4 == 3 else "pre"
        parts.append(
            f'[[bus]]\nid = "{who}"\nconsole = {number + 1}\nstart_db = -30\nauto_open = true\n'
            f'tap = "{tap}"\nstart_mix = {{ c1 = -12, c2 = -9 }}\n'
            f'[[performer]]\nid = "{who}"\nbuses = ["{who}"]\nsend_ceiling_db = {number % 3 - 2}\n'
        )
        parts.append(_controller(f"{who}-tablet", who, f"{maps}/tablet.toml", places, number))
    return parts


def _controller(name: str, hands: str, path: str, places: Places, number: int) -> str:
    return (
        f'[[controller]]\nid = "{name}"\nhands = "{hands}"\nmap = "{path}"\n'
        f'listen = "udp://{places.bridge}:{places.hands}"\nsource = "{places.near[number]}"\n'
    )


_BOARD_MAP = f"""
[map]
name = "Board"
kind = "controller"
[[midi]]
parameter = "send level"
bus = 1
message = "control change"
midi_channel = 1
number = {{ first = {FIRST_CONTROL}, per_channel = 1 }}
law = "40 log10"
takeover = "jump"
use = ["move", "show"]
"""
