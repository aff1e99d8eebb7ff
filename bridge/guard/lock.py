"""One bridge for one rig: a second one would fight the first over the same console. I/O.

The lock is the kernel's (flock) on a file that is named after the rig's path, so it ends with the
process that holds it, however that ends. The file itself is never removed: whoever waits for a
file that somebody else removes holds a lock on nothing.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import stat
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping
from pathlib import Path

from bridge.errors import BridgeError

RUNS_ALREADY = 3
"""Exit code of a second ``foldbridge run``: it must not be started again and again."""

SYSTEM_FOLDER = Path("/run/foldbridge")
"""Where a system service keeps its locks (systemd.exec(5), RuntimeDirectory=)."""

NOTE_BYTES_MAX = 4096
"""Most that is read of what a holder wrote about itself."""


class RunsAlreadyError(BridgeError):
    """Another process runs this rig.

    Attributes:
        pid: Its number; 0 where it did not say.
        since: Since when, as people write it; empty where it did not say.
        exit_code: What the command ends with.
    """

    exit_code = RUNS_ALREADY

    def __init__(self, rig: str, pid: int, since: str) -> None:
        self.pid, self.since = pid, since
        who = f"process {pid}" if pid else "another process"
        when = f" since {since}" if since else ""
        remedy = f"stop it first (kill {pid})" if pid else "stop it first"
        super().__init__(f"{rig}: runs already, in {who}{when}; {remedy}, or run another rig")


def lock_name(rig: Path) -> str:
    """The name of a rig's lock file: one rig has one, by whatever path it is called."""
    path = rig.resolve()
    digest = hashlib.sha256(os.fsencode(path)).hexdigest()[:16]
    stem = "".join(letter if letter.isalnum() else "-" for letter in path.stem)[:40]
    return f"{stem}-{digest}.lock"


def folders(environ: Mapping[str, str]) -> list[Path]:
    """Where a lock may be: the service's own, the system's, the user's, the temporary folder."""
    own = [Path(name) for name in environ.get("RUNTIME_DIRECTORY", "").split(":") if name]
    user = environ.get("XDG_RUNTIME_DIR")
    session = [Path(user) / "foldbridge"] if user else []
    number = os.getuid() if hasattr(os, "getuid") else 0
    return [*own, SYSTEM_FOLDER, *session, Path(tempfile.gettempdir()) / f"foldbridge-{number}"]


@contextlib.contextmanager
def only_one(rig: Path, environ: Mapping[str, str] = os.environ) -> Iterator[Path | None]:
    """Hold a rig's lock while the context lasts.

    Where no folder can be written to, the bridge runs without one: better two than none.

    Yields:
        The file that is held; None where there is none.

    Raises:
        RunsAlreadyError: another process holds it.
    """
    if sys.platform == "win32":  # no flock; the console's port can be bound once only
        yield None
        return
    paths = [folder / lock_name(rig) for folder in dict.fromkeys(folders(environ))]
    held: tuple[Path, int] | None = None
    try:
        for path in paths:  # those of others are looked at too: a service and a person
            if held is None and (file := _opened(path)) is not None:
                held = path, file
                _take(file, rig)
            else:
                _look(path, rig)
        yield held[0] if held else None
    finally:
        if held is not None:
            os.close(held[1])


def _opened(path: Path) -> int | None:
    """The lock file, made if need be; None where it cannot be, or the folder is not to be trusted.

    A folder that somebody else owns, or everybody may write to, is nobody's word.
    """
    try:
        if path.parent != SYSTEM_FOLDER:
            path.parent.mkdir(mode=0o700, exist_ok=True)
        about = path.parent.lstat()
        shared = about.st_mode & (stat.S_IWGRP | stat.S_IWOTH)
        if not stat.S_ISDIR(about.st_mode) or about.st_uid != os.getuid() or shared:
            return None
        return os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o644)
    except OSError:
        return None


def _take(file: int, rig: Path) -> None:
    """Lock an open file and write down who did."""
    if not _locks(file):
        raise _holder(file, rig)
    note = {"pid": os.getpid(), "since": time.strftime("%Y-%m-%d %H:%M:%S"), "rig": str(rig)}
    with contextlib.suppress(OSError):  # a full disk takes the note and leaves the lock
        os.ftruncate(file, 0)
        os.pwrite(file, json.dumps(note).encode(), 0)


def _look(path: Path, rig: Path) -> None:
    """See that nobody holds a lock elsewhere."""
    try:
        file = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError:
        return
    try:
        if not _locks(file):
            raise _holder(file, rig)
    finally:
        os.close(file)


def _locks(file: int) -> bool:
    """Lock a file; False when somebody else has it."""
    assert sys.platform != "win32", "asked for systems with flock only"
    import fcntl

    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return True  # a file system without locks: nobody can hold one there
    return True


def _holder(file: int, rig: Path) -> RunsAlreadyError:
    """Who holds a lock, as far as the file says; what it says is shown, so it is looked at."""
    pid, since = 0, ""
    with contextlib.suppress(OSError, ValueError, TypeError, AttributeError, RecursionError):
        note = json.loads(os.pread(file, NOTE_BYTES_MAX, 0))
        said, when = note.get("pid"), note.get("since")
        pid = said if type(said) is int and said > 0 else 0
        since = when[:40] if isinstance(when, str) and when.isprintable() else ""
    return RunsAlreadyError(str(rig), pid, since)
