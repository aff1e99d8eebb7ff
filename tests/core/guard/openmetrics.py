"""A strict reader of OpenMetrics text, written from OpenMetrics 1.0, "Text format" (its ABNF)."""

from __future__ import annotations

import re

SUFFIXES = {"counter": ("_total",), "info": ("_info",), "gauge": ("",), "stateset": ("",),
            "histogram": ("_bucket", "_count", "_sum")}  # fmt: skip
NAME = r"[a-zA-Z_:][a-zA-Z0-9_:]*"
LABEL = r'[a-zA-Z_][a-zA-Z0-9_]*="(?:[^"\\\n]|\\["\\n])*"'
SAMPLE = re.compile(rf"({NAME})(?:\{{({LABEL}(?:,{LABEL})*)\}})? (-?\d+(?:\.\d+)?(?:e[+-]?\d+)?)")

Families = dict[str, tuple[str, dict[str, float]]]


def read(text: str) -> Families:
    """Families by name: their type, and values by sample as written.

    Raises:
        ValueError: with the line that is not allowed.
    """
    if not text.endswith("# EOF\n"):
        raise ValueError("no # EOF at the end")
    families: Families = {}
    units: dict[str, str] = {}
    current = ""
    for line in text.removesuffix("# EOF\n").split("\n")[:-1]:
        about = re.fullmatch(rf"# (TYPE|UNIT|HELP) ({NAME}) (.+)", line)
        if about is None:
            _take_sample(line, current, *families[current])
            continue
        word, name, said = about.groups()
        if word == "TYPE" and name not in families and said in SUFFIXES:
            families[name], current = (said, {}), name
        elif word == "TYPE" or name != current or families[name][1]:
            raise ValueError(line)
        elif word == "UNIT":
            units[name] = said
    _check_whole(families, units)
    return families


def _check_whole(families: Families, units: dict[str, str]) -> None:
    for name, (kind, found) in families.items():
        if kind == "histogram":
            _check_histogram(name, found)
    for name, unit in units.items():
        if not name.endswith(f"_{unit}"):
            raise ValueError(f"{name} does not end in its unit, {unit}")


def _take_sample(line: str, name: str, kind: str, found: dict[str, float]) -> None:
    sample = SAMPLE.fullmatch(line)
    key = line.rpartition(" ")[0]
    names = [name + suffix for suffix in SUFFIXES[kind]]
    if sample is None or sample[1] not in names or key in found:
        raise ValueError(line)
    found[key] = float(sample[3])
    _check_value(kind, name, line, found[key])


def _check_value(kind: str, name: str, line: str, value: float) -> None:
    if kind == "counter" and value < 0:
        raise ValueError(line)
    if kind == "info" and value != 1:
        raise ValueError(line)
    if kind == "stateset" and (value not in (0, 1) or f'{name}="' not in line):
        raise ValueError(line)


def _check_histogram(name: str, found: dict[str, float]) -> None:
    """Bounds rise and end in +Inf, each class holds those below it, and the last one all."""
    classes = [key for key in found if key.startswith(f"{name}_bucket")]
    bounds = [float(key.split('le="')[1].rstrip('"}')) for key in classes]
    counts = [found[key] for key in classes]
    if bounds != sorted(set(bounds)) or not classes[-1].endswith('le="+Inf"}'):
        raise ValueError(f"{name}: bounds {bounds}")
    if counts != sorted(counts) or counts[-1] != found[f"{name}_count"]:
        raise ValueError(f"{name}: counts {counts}")
    if not found[f"{name}_sum"] >= 0.0:
        raise ValueError(f"{name}: sum {found[f'{name}_sum']}")
