"""The command `foldbridge preset`: what a rig has stored, shown and checked. I/O."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

from bridge.errors import Fault
from bridge.presets import files
from bridge.presets.preset import Preset, PresetError, db_of, text_of
from bridge.rig.faults import first_of
from bridge.rig.load import load_rig, shown_path
from bridge.rig.rig import Rig
from bridge.units import text

OK, WARNED = 0, 1


def preset(path: Path, act: str, name: str | None = None, *, as_json: bool = False) -> int:
    """List the presets of a rig, show one, or check all.

    Args:
        path: The rig file.
        act: ``list``, ``show`` or ``check``.
        name: The preset to show.
        as_json: For machines.

    Returns:
        0 all well; 1 a listed preset is damaged.

    Raises:
        RigError, PresetError: it cannot be done; of ``check``, everything that is wrong.
    """
    rig = load_rig(path)
    if (name is None) == (act == "show"):
        found, expected = ("no name", "one") if name is None else (f"{name!r}", "no name")
        raise PresetError([Fault(f"preset {act}", found, expected)])
    if act == "show":
        one = files.read_preset(rig, str(name))
        print(json.dumps(_data(str(name), one), indent=2) if as_json else _shown(rig, one))
        return OK
    return _check(rig) if act == "check" else _list(rig, as_json=as_json)


def _check(rig: Rig) -> int:
    faults = files.faults_of(rig)
    if faults:
        raise PresetError(first_of(faults, shown_path(files.folder_of(rig))))
    count = len(files.names_in(rig))
    print(f"{shown_path(files.folder_of(rig))}: {count} presets, nothing wrong")
    return OK


def _list(rig: Rig, *, as_json: bool) -> int:
    listed = files.read_all(rig)
    if as_json:
        print(json.dumps([_entry(one) for one in listed], indent=2))
    elif listed:
        for one in listed:
            print(_line(one))
    else:
        print(f"no presets in {shown_path(files.folder_of(rig))}")
    return WARNED if any(one.fault for one in listed) else OK


def _line(one: files.Listed) -> str:
    if one.preset is None:
        return f"{one.name}: {one.fault}"
    about = one.preset
    parts = [f"{about.moment:%Y-%m-%d}", about.by, ", ".join(about.scope.buses)]
    parts += [f"cue {about.cue}"] if about.cue else []
    parts += [about.label] if about.label else []
    parts += [about.note] if about.note else []
    return f"{one.name}: " + "; ".join(parts)


def _entry(one: files.Listed) -> dict[str, object]:
    if one.preset is None:
        return {"name": one.name, "fault": one.fault}
    return _data(one.name, one.preset)


def _data(name: str, one: Preset) -> dict[str, object]:
    return {"name": name, **one.model_dump(mode="json", exclude_none=True)}


def _shown(rig: Rig, one: Preset) -> str:
    """A preset for people: its head as written, then each mix by labels."""
    head = text_of(one).split("\n\n", 1)[0]
    return "\n".join([head, *_mixes(rig, one)])


def _mixes(rig: Rig, one: Preset) -> Iterator[str]:
    layout = rig.layout
    for bus in one.scope.buses:
        mix = one.bus[bus]
        master = mix.master_db if one.scope.has("master") else None
        level = "" if master is None else f", master {text(db_of(master))}"
        yield f"\n{rig.bus_label(layout.buses.index(bus))}{level}"
        for channel, send in mix.send.items():
            parts = []
            if send.level_db is not None and one.scope.has("level", channel):
                parts.append(text(db_of(send.level_db)))
            if send.on is not None and one.scope.has("on", channel):
                parts.append("on" if send.on else "switched off")
            if send.tap is not None and one.scope.has("tap", channel):
                parts.append(send.tap)
            if send.pan is not None and one.scope.has("pan", channel):
                parts.append(f"pan {send.pan:+.2f}")
            if parts:
                yield f"  {rig.channel_label(layout.channels.index(channel))}: {', '.join(parts)}"
