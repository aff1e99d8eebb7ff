"""Pictures of every page at phone and laptop size: ``python3 tools/screens.py [FOLDER]``. I/O.

Plays the demo's rig on a console stand-in in this process, and looks at its pages with Debian's
Chromium, so that a change of the look can be seen before it is kept. What the pictures show does
not depend on when they are taken, but for clock times and the code to join. Needs the environment
that ``tools/test.py`` makes; calls it by itself.
"""

from __future__ import annotations

import argparse
import asyncio
import importlib
import importlib.util
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

# The neighbours, the tests' own helpers and the package, from wherever this file is run.
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))
sys.path.insert(0, str(Path(__file__).resolve().parent))

import environment

BYTES_MAX = 150_000
"""Largest picture that is kept: what is larger has no place in a repository."""

LEVELS = {
    "kit": {"kick": -9, "overhead": -21, "bass": -10, "accordion": -16, "voice": -6, "click": -4},
    "front": {"kick": -25, "bass": -20, "accordion": -14, "voice": -7},
    "left": {"bass": -9, "accordion": -5, "voice": -12, "overhead": -32},
}
"""A mix as it may stand after some songs, dB."""


def main(arguments: Sequence[str]) -> int:
    """Take the pictures; returns the exit code."""
    parser = argparse.ArgumentParser(prog="tools/screens.py", description="Pictures of the pages.")
    usual = environment.ROOT / "docs" / "screens"
    parser.add_argument("folder", type=Path, nargs="?", default=usual,
                        help="where the pictures go")  # fmt: skip
    folder: Path = parser.parse_args(arguments).folder
    if importlib.util.find_spec("aiohttp") is None:  # not in the environment yet
        try:
            python = environment.prepare(["test"])
        except environment.EnvironmentFailure as failure:
            print(f"foldbridge: {failure}", file=sys.stderr)
            return 1
        return environment.become([python, __file__, *arguments])
    folder.mkdir(parents=True, exist_ok=True)
    asyncio.run(_take(folder))
    large = [one.name for one in folder.glob("*.png") if one.stat().st_size > BYTES_MAX]
    print(f"{len(list(folder.glob('*.png')))} pictures in {folder}")
    if large:
        print(f"larger than {BYTES_MAX} bytes: {', '.join(large)}", file=sys.stderr)
    return 1 if large else 0


async def _take(folder: Path) -> None:
    support = importlib.import_module("support.chromium")  # the tests' own, without types here
    with tempfile.TemporaryDirectory() as home, support.Program() as program:
        async with support.House(program, Path(home)) as house:
            # A machine that is busy with a browser stands still now and then: not on a picture.
            house.bridge.pages.show._ails = list
            await _entrance(house, folder)
            _play(house.bridge)
            await house.bridge.until(house.bridge.daemon.house.rests)
            await _performer(house, support, folder)
            await _engineer(house, support, folder)


def _play(bridge: Any) -> None:
    """Open all mixes and set them as after some songs."""
    from bridge.rig.layout import Parameter

    for bus, sends in LEVELS.items():
        bridge.wish(bridge.slot(Parameter.BUS_OPEN, "", bus), 1.0)
        bridge.wish(bridge.slot(Parameter.BUS_MASTER, "", bus), -12.0)
        for channel, level in sends.items():
            bridge.wish(bridge.send(channel, bus), level)


async def _shot(tab: Any, path: Path) -> None:
    """A picture once nothing moves by itself any more."""
    await tab.until("document.getAnimations().length === 0")
    await tab.shot(path)


async def _entrance(house: Any, folder: Path) -> None:
    tab = await house.tab()
    await tab.go(house.bridge.base)
    await tab.until("document.activeElement && document.activeElement.id === 'code'")
    await _shot(tab, folder / "entrance-phone.png")


async def _performer(house: Any, support: Any, folder: Path) -> None:
    """Ines at her ceiling, Maud's narrow phone, Tomas while all is silenced."""
    from bridge.rig.layout import Parameter

    bridge = house.bridge
    ines = await house.performer("ines")
    for _ in range(4):
        await ines.tap(house.rail("voice", "kit", ".more"))
    await ines.until("[...document.querySelectorAll('.bubble')].some((b) => !b.hidden)")
    await _shot(ines, folder / "performer-phone.png")
    maud = await house.performer("maud", support.SMALL)
    await maud.tap(house.rail("accordion", "front", ".less"))
    await maud.until("!document.getElementById('ask').disabled")
    await _shot(maud, folder / "performer-small-phone.png")
    bridge.wish(bridge.slot(Parameter.SILENCE), 1.0)
    await ines.until("document.body.matches('.hushed')")
    await _shot(ines, folder / "performer-silenced-phone.png")
    bridge.wish(bridge.slot(Parameter.SILENCE), 0.0)
    await bridge.until(bridge.daemon.house.rests)
    wide = await house.performer("tomas", support.LAPTOP)
    await _shot(wide, folder / "performer-laptop.png")


async def _engineer(house: Any, support: Any, folder: Path) -> None:
    """All mixes with an ask; the same on a phone; a code to join."""
    from bridge.rig.layout import Parameter

    bridge = house.bridge
    bridge.wish(bridge.slot(Parameter.ASK, "accordion", "front"), 1.0, who=1)
    bridge.wish(bridge.send("voice", "kit"), 2.0, who=0)
    for name, size in (("laptop", support.LAPTOP), ("phone", support.PHONE)):
        tab = await house.engineer(size)
        await tab.until("!document.getElementById('asks-part').hidden")
        await tab.click('.cell[aria-label^="Voice in Maud"]')
        await tab.js("window.scrollTo(0, 0)")
        await _shot(tab, folder / f"engineer-{name}.png")
        if name == "laptop":
            await tab.click('[aria-label="Code to join for Tomas"]')
            await tab.until("document.querySelector('#joining svg')")
            await _shot(tab, folder / "engineer-code-laptop.png")


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
