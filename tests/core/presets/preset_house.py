"""An invented house with presets: texts, engines, and a running one without links."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any

from support.house import RIG, House

from bridge.controllers import Controllers
from bridge.presets.preset import Preset, parse_preset
from bridge.presets.running import Running
from bridge.rig.rig import ENGINEER

INES, MAUD, RUTH = 0, 1, ENGINEER

REEL = """
label = "The reel"
note = "more accordion"
by = "Ruth"
when = 2025-03-01T18:02:11Z
cue = "91.5"

[scope]
buses = ["kit", "front"]

[bus.kit]
master_db = -6.0
[bus.kit.send]
kick = { level_db = "off" }
accordion = { level_db = -10.0 }
voice = { level_db = -15.5, on = true, tap = "post", pan = -0.25 }
[bus.front.send]
voice = { level_db = -3.0, on = false }
bass = { level_db = -9.0 }
"""

QUIET = """
by = "Ruth"
when = 2025-03-01
[scope]
buses = ["kit", "front", "side"]
[bus.kit]
master_db = -20
send = { kick = { level_db = -30 }, voice = { level_db = -30 } }
[bus.front]
master_db = -25
[bus.front.send]
voice = { level_db = -30 }
[bus.side]
master_db = -25
"""


def preset(text: str = REEL) -> Preset:
    return parse_preset(text, "reel.toml")


def house(more: str = "", **about: Any) -> House:
    """The house after its start, kit and front open."""
    made = House(RIG + more, **about).started()
    made.open("kit")
    made.open("front")
    return made


async def at_once(act: Callable[..., Any], *args: Any, **more: Any) -> Any:
    """File work without a thread, which lets others have their turn all the same."""
    await asyncio.sleep(0)
    return act(*args, **more)


class _Console:
    state = "live"


class RunningHouse:
    """A house, its controllers' road for wishes, and its presets."""

    def __init__(self, folder: Path, more: str = "", **about: Any) -> None:
        self.house = house(more, **about)
        object.__setattr__(self.house.rig, "where", str(folder / "ferry.toml"))
        self.rig, self.engine = self.house.rig, self.house.engine
        self.controllers = Controllers(self.engine, lambda name, verdict: None)
        self.console = _Console()
        self.told: list[str] = []
        self.windows: dict[int, tuple[float, float]] = {}
        self.stood: list[str] = []
        self.batches = 0
        self.folder = folder / "ferry.presets"
        self.presets = Running(
            self,  # type: ignore[arg-type]
            clock=lambda: self.house.now_s,
            wished=self._wished,
            tell=self.told.append,
            use_windows=self._use,
            on_current=self.stood.append,
            aside=at_once,
        )

    def _use(self, windows: dict[int, tuple[float, float]]) -> None:
        self.windows = windows

    def _wished(self) -> None:
        self.batches += 1
        self.house.pump()

    def write(self, name: str, text: str) -> Path:
        self.folder.mkdir(exist_ok=True)
        path = self.folder / f"{name}.toml"
        path.write_text(text, encoding="utf-8")
        return path

    def asked(self, slot: int) -> float:
        return self.engine.matrix.asked[slot]
