"""Whatever a power cut or a broken disk leaves of what was kept: never louder, never a mixture."""

from __future__ import annotations

import math
import shutil
import struct
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.kept import Desk, Evening

from bridge.console.kept import COLD, DIFFERING, WARM
from bridge.journal import form
from bridge.journal.copies import NAMES, read_newest
from bridge.journal.form import Unusable
from bridge.rig.layout import Parameter as P

OTHER_BOOT = bytes(range(1, 17))


class Wreck:
    """What an evening left: two copies on the disk, one older than the other, and the memory."""

    def __init__(self, folder: Path) -> None:
        evening = Evening(folder)
        copies = []
        for step in range(2):
            evening.playing() if not step else evening.pass_time(0.1)
            if step:
                evening.wish(evening.slot(P.SEND_LEVEL, 0, 0), -25.0)
                evening.pass_time(0.5)
            writer = evening.keeper._copies
            assert writer is not None
            writer.close()  # its thread ends: copies are written here alone
            writer._pending = True
            writer.look(math.inf)
            copies.append(evening.told())
        self.older, self.newer = copies
        self.values = list(evening.desk.values)
        self.desk = evening.killed()
        self.mark, self.kinds = evening.keeper._mark, bytes(evening.m.kind)
        self.files = {name: (folder / name).read_bytes() for name in NAMES}
        assert evening.path is not None
        self.memory, self.memory_name = evening.path.read_bytes(), evening.path.name

    def newest(self) -> str:
        return max(NAMES, key=lambda name: form.read_copy(self.files[name])[0])


@pytest.fixture(scope="module")
def wreck(tmp_path_factory: pytest.TempPathFactory) -> Wreck:
    return Wreck(tmp_path_factory.mktemp("wreck"))


@st.composite
def damage(draw: st.DrawFn, size: int = 60_000) -> tuple[str, int, bytes]:
    """What happens to a file: where, and how."""
    kind = draw(st.sampled_from(("cut", "zeros", "garbage", "bit", "gone", "whole")))
    return kind, draw(st.integers(0, size)), draw(st.binary(min_size=1, max_size=64))


def damaged(data: bytes, what: tuple[str, int, bytes]) -> bytes | None:
    kind, place, junk = what
    place %= len(data)
    if kind == "gone":
        return None
    if kind == "cut":
        return data[:place]
    if kind == "zeros":
        return data[:place] + bytes(len(data) - place)
    if kind == "garbage":
        return data[:place] + junk + data[place + len(junk) :]
    if kind == "bit":
        return data[:place] + bytes([data[place] ^ 1 << junk[0] % 8]) + data[place + 1 :]
    return data


@pytest.fixture()
def folder(tmp_path: Path) -> Iterator[Path]:
    yield tmp_path


@settings(max_examples=300, deadline=None, suppress_health_check=list(HealthCheck))
@given(first=damage(), second=damage())
def test_a_copy_is_found_whole_or_not_at_all(
    wreck: Wreck, folder: Path, first: tuple[str, int, bytes], second: tuple[str, int, bytes]
) -> None:
    for name, what in zip(NAMES, (first, second), strict=True):
        left = damaged(wreck.files[name], what)
        (folder / name).unlink(missing_ok=True)
        if left is not None:
            (folder / name).write_bytes(left)
    try:
        _, image, _ = read_newest(folder)
    except Unusable as problem:
        assert str(problem)
        return
    shape = form.Shape(len(wreck.kinds))
    past = form.read_image(image, image[shape.notes :], wreck.mark, wreck.kinds)
    was = [list(map(repr, each)) for each in (wreck.older, wreck.newer)]
    assert list(map(repr, past.told)) in was


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(first=damage(), second=damage(), memory=damage(), same_boot=st.booleans())
def test_whatever_is_left_nothing_louder_is_told(
    wreck: Wreck,
    folder: Path,
    first: tuple[str, int, bytes],
    second: tuple[str, int, bytes],
    memory: tuple[str, int, bytes],
    same_boot: bool,
) -> None:
    shutil.rmtree(folder / "life", ignore_errors=True)
    life = folder / "life"
    (life / "memory").mkdir(parents=True)
    for name, what in zip(NAMES, (first, second), strict=True):
        if (left := damaged(wreck.files[name], what)) is not None:
            (life / name).write_bytes(left)
    probe = Evening(life, boot=OTHER_BOOT)
    path = probe.path
    probe.killed()
    assert path is not None
    path.unlink()
    if (left := damaged(wreck.memory, memory)) is not None:
        path.write_bytes(left)
    desk = Desk(probe.run)
    desk.stand_in.values[:] = wreck.values
    after = Evening(life, desk, boot=OTHER_BOOT if not same_boot else probe_boot())
    after.open().pass_time(0.5)
    way = after.house.returned.way
    assert way in (WARM, DIFFERING, COLD)
    if way == COLD:
        masters_first(after)
    else:
        assert after.louder() == []
    after.killed()


def probe_boot() -> bytes:
    from support.kept import BOOT

    return BOOT


def masters_first(evening: Evening) -> None:
    m, words = evening.m, evening.sent
    assert words and all(m.master <= word.slot < m.dim for word in words[:3])


def test_a_copy_in_which_one_bit_has_changed_is_not_believed(wreck: Wreck) -> None:
    data = wreck.files[wreck.newest()]
    for place in range(len(form.COPY_MAGIC), len(data), 97):
        broken = data[:place] + bytes([data[place] ^ 4]) + data[place + 1 :]
        with pytest.raises(Unusable):
            form.read_copy(broken)


def test_the_newest_whole_copy_is_the_last_to_be_overwritten(wreck: Wreck, tmp_path: Path) -> None:
    for name in NAMES:
        (tmp_path / name).write_bytes(wreck.files[name])
    after = Evening(tmp_path, boot=OTHER_BOOT)
    after.open()
    copies = after.keeper._copies
    assert copies is not None
    name = NAMES[copies._turn]
    after.killed()
    assert copies.written or name != wreck.newest()


def test_zeros_are_no_levels(wreck: Wreck) -> None:
    image = bytes(len(wreck.memory))
    with pytest.raises(Unusable, match="it is damaged"):
        form.read_image(image, b"", wreck.mark, wreck.kinds)


def test_levels_that_no_console_was_ever_told_are_not_believed(wreck: Wreck) -> None:
    image = bytearray(wreck.memory)
    slot = wreck.kinds.index(0)
    for value in (1e9, math.inf, 101.0):
        image[form.HEADER_BYTES + 8 * slot : form.HEADER_BYTES + 8 * slot + 8] = struct.pack(
            "<d", value
        )
        with pytest.raises(Unusable, match="no console was ever told"):
            form.read_image(bytes(image), b"", wreck.mark, wreck.kinds)


def test_a_rig_with_another_console_begins_anew(wreck: Wreck) -> None:
    with pytest.raises(Unusable, match="other channels, buses or another console"):
        form.read_image(wreck.memory, b"", bytes(16), wreck.kinds)


def test_a_newer_form_is_not_guessed_at(wreck: Wreck) -> None:
    image = bytearray(wreck.memory)
    image[8] = form.SCHEMA + 1
    with pytest.raises(Unusable, match="its form is number 2, and this version knows number 1"):
        form.read_image(bytes(image), b"", wreck.mark, wreck.kinds)


def test_a_damaged_note_about_people_is_left_out_as_a_whole(tmp_path: Path) -> None:
    from bridge.journal import people

    evening = Evening(tmp_path)
    master = evening.slot(P.BUS_MASTER, -1, 0)
    evening.engine.people.set_ceiling(-1, master, -11.0)
    note = people.note_of(evening.engine, 0.0)
    evening.engine.people.set_ceiling(-1, master, None)
    send = str(evening.slot(P.SEND_ON, 0, 0)).encode()
    for broken in (note[:-3], b"[]", b"{}", note.replace(b"-11.0", b'"x"'), b"\xff\xfe",
                   note.replace(b"[-1,", b"[9,"), note.replace(str(master).encode(), send),
                   note.replace(b"-11.0", b"NaN")):  # fmt: skip
        assert "damaged" in people.restore(evening.engine, broken, 0.0), broken
        assert evening.engine.people.live == {}
    assert people.restore(evening.engine, note, 0.0) == ""
    assert evening.engine.people.live == {(-1, master): -11.0}
    evening.killed()
