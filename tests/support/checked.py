"""A folder with a sound rig to spoil, and what `check` says of it. I/O."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.checking import Report, check
from bridge.errors import MapError, RigError

MAPPINGS = Path(__file__).parents[2] / "mappings"

RIG = f"""\
[rig]
name = "Ferry Lane, room 2"
[limits]
master_ceiling_db = 0
[[channel]]
id = "kick"
console = 1
[[channel]]
id = "voice"
console = 2
[[bus]]
id = "kit"
console = 1
[[bus]]
id = "front"
console = 2
[[performer]]
id = "ines"
name = "Ines"
buses = ["kit"]
[engineer]
name = "Ruth"
[[controller]]
id = "ines-tablet"
hands = "ines"
map = "{MAPPINGS}/tablet.toml"
listen = "udp://:9371"
source = "192.0.2.21"
reply = "udp://192.0.2.21:9471"
[[controller]]
id = "ruth-page"
hands = "engineer"
map = "{MAPPINGS}/engineer-panel.toml"
listen = "udp://:9370"
source = "192.0.2.20"
[console]
map = "{MAPPINGS}/console-osc-position.toml"
send = "udp://192.0.2.10:9000"
listen = "udp://:9001"
[daemon]
watch = "tcp://127.0.0.1:9372"
"""

FEET = f"""
[[controller]]
id = "ines-feet"
hands = "ines"
map = "{MAPPINGS}/foot-board.toml"
midi = "Foot*"
"""

FADER = """\
[map]
name = "Fader box"
kind = "controller"
[[midi]]
parameter = "bus master"
bus = 1
message = "control change"
midi_channel = 4
number = 7
law = "40 log10"
takeover = "{takeover}"
"""


def box(name: str, takeover: str) -> str:
    return (f'[[controller]]\nid = "{name}"\nhands = "engineer"\nmap = "{takeover}.toml"\n'
            f'midi = "{name}*"\n')  # fmt: skip


class Bench:
    """A folder to write rigs and maps to, and check them."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "house.toml"

    def map(self, name: str, text: str) -> None:
        (self.path.parent / name).write_text(text, encoding="utf-8")

    def check(self, *changes: tuple[str, str], more: str = "") -> Report:
        text = RIG
        for old, new in changes:
            assert text.count(old) == 1, old
            text = text.replace(old, new)
        self.path.write_text(text + more, encoding="utf-8")
        return check(self.path)

    def warnings(self, *changes: tuple[str, str], more: str = "") -> list[str]:
        """The warnings, without the folder."""
        report = self.check(*changes, more=more)
        return [each.replace(f"{self.path.parent}/", "") for each in report.warnings]

    def faults(self, *changes: tuple[str, str], more: str = "") -> list[str]:
        with pytest.raises((RigError, MapError)) as caught:
            self.check(*changes, more=more)
        lines = map(str, caught.value.faults)
        return [line.replace(f"{self.path.parent}/", "") for line in lines]

    def line(self, part: str) -> int:
        text = self.path.read_text(encoding="utf-8")
        return text[: text.index(part)].count("\n") + 1
