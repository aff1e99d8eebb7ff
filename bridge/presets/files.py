"""The folder of a rig's presets: listed, read, and written in one piece or not at all. I/O."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from bridge.errors import Fault
from bridge.presets.preset import Preset, PresetError, parse_preset, text_of
from bridge.rig.faults import shown
from bridge.rig.fields import ID_PATTERN
from bridge.rig.load import read_text, shown_path
from bridge.rig.presets import PRESETS_MAX
from bridge.rig.rig import Rig

_NAME = re.compile(ID_PATTERN)
_NAME_WORDS = "a name of 1 to 40 of a-z, 0-9, _ and -, the first one a letter or a digit"


class Listed(NamedTuple):
    """A preset in the folder.

    Attributes:
        name: Its name, the file's without ``.toml``.
        preset: What it says; None when it is damaged.
        fault: What is wrong with it; empty when nothing is.
    """

    name: str
    preset: Preset | None
    fault: str


def folder_of(rig: Rig) -> Path:
    """Where the presets of a rig are: as ``[presets]`` says, else beside it, RIG.presets."""
    here = Path(rig.where)
    if rig.file.presets.folder is not None:
        return here.parent / rig.file.presets.folder
    return here.with_name(f"{here.name.removesuffix('.toml')}.presets")


def path_of(rig: Rig, name: str) -> Path:
    """The file of a preset.

    Raises:
        PresetError: the name is none: nothing outside of the folder has one.
    """
    if not _NAME.fullmatch(name):
        raise PresetError([Fault("preset", shown(name), _NAME_WORDS)])
    return folder_of(rig) / f"{name}.toml"


def names_in(rig: Rig) -> tuple[str, ...]:
    """Names of the presets in the folder, sorted; none when there is no folder.

    Raises:
        PresetError: the folder cannot be read, holds too many, or a file with a wrong name.
    """
    folder = folder_of(rig)
    try:
        found = sorted(_toml_files(folder))
    except FileNotFoundError:
        return ()
    except (OSError, ValueError) as problem:
        said = getattr(problem, "strerror", None) or str(problem)
        raise PresetError([Fault(shown_path(folder), said, "a folder to read")]) from None
    wrong = [name for name in found if not _NAME.fullmatch(name)]
    if wrong:
        raise PresetError(
            [Fault(shown_path(folder / f"{name}.toml"), shown(name), _NAME_WORDS) for name in wrong]
        )
    return tuple(found)


def _toml_files(folder: Path) -> Iterator[str]:
    """Stems of its TOML files, up to one more than there may be; hidden files are no presets."""
    count = 0
    with os.scandir(folder) as entries:
        for entry in entries:
            if not entry.name.endswith(".toml") or entry.name.startswith("."):
                continue
            count += 1
            if count > PRESETS_MAX:
                found = f"more than {PRESETS_MAX} presets"
                raise PresetError([Fault(shown_path(folder), found, f"at most {PRESETS_MAX}")])
            yield entry.name.removesuffix(".toml")


def read_preset(rig: Rig, name: str) -> Preset:
    """A preset, whole or not at all.

    Raises:
        PresetError: it cannot be read, is damaged, or names what the rig does not have.
    """
    path = path_of(rig, name)
    return parse_preset(read_text(path, PresetError), shown_path(path), rig)


def read_all(rig: Rig) -> tuple[Listed, ...]:
    """Every preset in the folder, damaged ones with their fault.

    Raises:
        PresetError: the folder itself cannot be used.
    """
    found = []
    for name in names_in(rig):
        try:
            found.append(Listed(name, read_preset(rig, name), ""))
        except PresetError as error:
            found.append(Listed(name, None, str(error)))
    return tuple(found)


def faults_of(rig: Rig) -> tuple[Fault, ...]:
    """Everything that is wrong with the presets of a rig: files, cues twice, names without a file.

    Raises:
        PresetError: the folder itself cannot be used.
    """
    names = names_in(rig)
    faults: list[Fault] = []
    cues: dict[str, str] = {}
    for name in names:
        try:
            cue = read_preset(rig, name).cue
        except PresetError as error:
            faults += error.faults
            continue
        if cue is not None and cue in cues:
            where = f"{shown_path(path_of(rig, name))} cue"
            faults.append(Fault(where, shown(cue), f"a cue that {cues[cue]} does not have"))
        elif cue is not None:
            cues[cue] = name
    return (*faults, *_missing(rig, names))


def _missing(rig: Rig, names: tuple[str, ...]) -> Iterator[Fault]:
    """Presets that the rig names and the folder does not have."""
    room = rig.file.room
    key = ("presets", "order") if room is None else ("room", "presets")
    wanted = rig.file.presets.order if room is None else room.presets
    for i, name in enumerate(wanted):
        if name not in names:
            expected = f"a file {name}.toml in {shown_path(folder_of(rig))}"
            yield Fault(rig.at((*key, i)), shown(name), expected)


def write_preset(
    rig: Rig,
    name: str,
    preset: Preset,
    *,
    replace: bool = False,
    own: Sequence[str] | None = None,
) -> None:
    """Write a preset; whoever reads meanwhile sees the old one or the new one.

    Args:
        rig: What was declared.
        name: Its name.
        preset: What it says.
        replace: Another one of this name may go.
        own: Ids of the buses that the other one may hold to go; None: any.

    Raises:
        PresetError: there is one of this name, or a damaged file, or it cannot be written; then
            everything is as it was.
    """
    from bridge.soundcheck.marks_file import write_text

    path = path_of(rig, name)
    text = text_of(preset)
    if parse_preset(text, shown_path(path), rig) != preset:
        raise PresetError([Fault(shown_path(path), "a preset that reads otherwise", "the same")])
    try:
        path.parent.mkdir(exist_ok=True)
        if path.exists():
            _may_go(rig, name, replace, own)
        elif len(names_in(rig)) >= PRESETS_MAX:
            found = f"{PRESETS_MAX} presets already"
            raise PresetError([Fault(shown_path(path), found, f"at most {PRESETS_MAX}")])
        write_text(path, text)
    except (OSError, ValueError) as problem:
        found = f"not written: {getattr(problem, 'strerror', None) or problem}"
        expected = "a folder that can be written, and room for it"
        raise PresetError([Fault(shown_path(path), found, expected)]) from None


def _may_go(rig: Rig, name: str, replace: bool, own: Sequence[str] | None) -> None:
    where = shown_path(path_of(rig, name))
    if not replace:
        raise PresetError([Fault(where, "a preset of this name", "another name, or to replace it")])
    before = read_preset(rig, name)  # what is damaged may be somebody's work: it stays
    foreign = [bus for bus in before.bus if own is not None and bus not in own]
    if foreign:
        expected = "another name: this preset is somebody else's too"
        raise PresetError([Fault(where, f"a mix of {foreign[0]}", expected)])
