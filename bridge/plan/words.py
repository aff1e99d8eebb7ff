"""Numbers as people read them on a plan: levels, metres, times, directions. Pure."""

from __future__ import annotations

import math

from bridge.rig.rig import Rig
from bridge.stage.geometry import Point

NO = "\u2013"
"""Stands where there is nothing to say."""

MINUS = "\u2212"

_AROUND = (
    "upstage",
    "upstage left",
    "stage left",
    "downstage left",
    "the audience",
    "downstage right",
    "stage right",
    "upstage right",
)


def db(level_db: float | None, digits: int = 1) -> str:
    """A level without its unit; ``off`` for ``-inf``, a dash where there is none or no limit."""
    if level_db is None or math.isnan(level_db) or level_db == math.inf:
        return NO
    if level_db == -math.inf:
        return "off"
    return number(level_db, digits)


def number(value: float, digits: int = 1) -> str:
    """A number with a true minus sign, and without the sign where it rounds to zero."""
    said = f"{value:.{digits}f}"
    if float(said) == 0.0:
        return said.lstrip("-")
    return said.replace("-", MINUS)


def change(value_db: float) -> str:
    """A change of level with its sign: ``+3.0``, ``\u22120.5``."""
    said = number(value_db)
    return said if said.startswith(MINUS) else f"+{said}"


def place(at: Point) -> str:
    """A point as the rig has it: metres to stage left, upstage, up."""
    return ", ".join(number(x, 2) for x in at)


def aim(azimuth_deg: float, elevation_deg: float) -> str:
    """A direction: ``the audience (180\u00b0), 20\u00b0 up``."""
    if abs(elevation_deg) > 85.0:
        return "straight up" if elevation_deg > 0.0 else "straight down"
    toward = _AROUND[round(azimuth_deg / 45.0) % 8]
    flat = f"{toward} ({round(azimuth_deg) % 360}\u00b0)"
    tilt = round(elevation_deg)
    if tilt == 0:
        return f"{flat}, level"
    return f"{flat}, {abs(tilt)}\u00b0 {'up' if tilt > 0 else 'down'}"


def span(seconds: float) -> str:
    """A time allowed: ``2 h 40 min``, ``12 min``, ``40 s``; ``no limit`` for ``inf``."""
    if seconds == math.inf:
        return "no limit"
    if seconds < 60.0:
        return f"{math.floor(seconds)} s"
    minutes = math.floor(seconds / 60.0)
    hours, minutes = divmod(minutes, 60)
    if hours >= 100:
        return "more than 100 h"
    if not hours:
        return f"{minutes} min"
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"


def listed(names: list[str] | tuple[str, ...], most: int = 12) -> str:
    """Names in a sentence; from ``most`` on it says how many more."""
    between = "; " if any("," in name for name in names) else ", "
    if len(names) > most:
        return f"{between.join(names[:most])} and {len(names) - most} more"
    return between.join(names[:-1]) + " and " + names[-1] if len(names) > 1 else "".join(names)


def bus_label(rig: Rig, name: str) -> str:
    """What people call a bus, by its id; the id itself where no bus has it."""
    return next((bus.label or bus.id for bus in rig.file.bus if bus.id == name), name)
