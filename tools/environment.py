"""The project's own environment: made once, found again at once. I/O.

Standard library only, and nothing happens on import: this module has to run on a fresh machine.
"""

from __future__ import annotations

import hashlib
import importlib.util
import json
import os
import subprocess
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
HOME = ROOT / ".venv"
STAMP = HOME / "foldbridge-stamp.json"
OLDEST = (3, 11)
MIDI = "midi"

NO_NETWORK = (
    "NewConnectionError",
    "Temporary failure in name resolution",
    "Name or service not known",
    "Could not find a version that satisfies",
    "No matching distribution found",
    "Network is unreachable",
    "Read timed out",
    "ConnectTimeoutError",
    "ProxyError",
    "getaddrinfo failed",
)
"""Words in pip's output that mean: the packages could not be fetched."""

NOT_BUILT = ("Failed building wheel", "Failed to build", "metadata-generation-failed")
"""Words in pip's output that mean: there was no wheel, and building one failed."""


class EnvironmentFailure(Exception):
    """The environment cannot be made; the text says what to do."""


def check_python() -> None:
    """Refuse a Python that is too old.

    Raises:
        EnvironmentFailure: this interpreter is older than 3.11.
    """
    if sys.version_info[:2] < OLDEST:
        found = ".".join(str(number) for number in sys.version_info[:3])
        raise EnvironmentFailure(
            f"this is Python {found} ({sys.executable}), expected 3.11 or newer;\n"
            "install a newer one and call it by name, as in: python3.12 tools/start.py"
        )


def environment_python() -> Path:
    """The interpreter of the project's environment, whether it exists or not."""
    return HOME / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def prepare(extras: Iterable[str] = (), *, again: bool = False) -> Path:
    """Make sure that ``.venv`` holds the project; fast when nothing has changed.

    Args:
        extras: Extras of the project that have to be there. MIDI is always tried, on its own:
            without it everything else works, and one line on stderr says what is missing.
        again: Install again even if the stamp says that all is there.

    Returns:
        The environment's interpreter.

    Raises:
        EnvironmentFailure: it cannot be made.
    """
    check_python()
    stamp = {} if again else _stamp()
    key, wanted = _key(), set(extras)
    if stamp.get("key") != key or not environment_python().exists():
        _say("making the environment in .venv (once; it takes a minute or two)")
        stamp = {"key": key, "extras": [], "midi": None}
        _make()
    missing = wanted - set(stamp["extras"])
    if missing or stamp["midi"] is None:
        stamp["extras"] = sorted(wanted | set(stamp["extras"]))
        _install_project(stamp["extras"])
        stamp["midi"] = _install_midi()
        STAMP.write_text(json.dumps(stamp), encoding="utf-8")
    if stamp["midi"]:
        _say(stamp["midi"])
    return environment_python()


def call(command: Sequence[str | Path]) -> int:
    """Run a command from the project's root and return its exit code."""
    return subprocess.call([str(word) for word in command], cwd=ROOT)


def become(command: Sequence[str | Path]) -> int:
    """Turn this process into a command: signals and the exit code pass through.

    Windows has no such call; there the command runs as a child and its exit code comes back.
    """
    words = [str(word) for word in command]
    sys.stdout.flush()
    sys.stderr.flush()
    if os.name != "nt":
        os.execv(words[0], words)
    with subprocess.Popen(words) as child:
        while True:
            try:
                return child.wait()
            except KeyboardInterrupt:
                continue  # the child got it too, and decides


def _say(text: str) -> None:
    print(f"foldbridge: {text}", file=sys.stderr, flush=True)


def _stamp() -> dict:  # type: ignore[type-arg]
    try:
        stamp = json.loads(STAMP.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    whole = isinstance(stamp, dict) and {"key", "extras", "midi"} <= stamp.keys()
    return stamp if whole else {}


def _key() -> str:
    """What the environment was made from: the project's settings, the Python, the place."""
    parts = ((ROOT / "pyproject.toml").read_text(encoding="utf-8"), sys.version, str(ROOT))
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()


def _make() -> None:
    """Make an empty environment, or keep the one that works with this very Python."""
    if _works():
        return
    if importlib.util.find_spec("venv") is None or importlib.util.find_spec("ensurepip") is None:
        raise EnvironmentFailure(_no_venv_text())
    made = _run([sys.executable, "-m", "venv", "--clear", HOME])
    if made.returncode:
        if "ensurepip" in made.stdout:
            raise EnvironmentFailure(_no_venv_text())
        raise EnvironmentFailure(f"cannot make {HOME}:\n{_tail(made.stdout)}")


def _no_venv_text() -> str:
    version = f"{sys.version_info[0]}.{sys.version_info[1]}"
    return (
        "this Python cannot make environments (the venv or ensurepip module is missing).\n"
        f"On Debian and Ubuntu: apt-get install python3-venv   (or python{version}-venv); "
        "elsewhere install Python as python.org ships it"
    )


def _works() -> bool:
    """Whether ``.venv`` runs, has pip, and is of this interpreter's version."""
    if not environment_python().exists():
        return False
    probe = "import sys, pip; print(*sys.version_info[:2])"
    answer = _run([environment_python(), "-c", probe])
    here = f"{sys.version_info[0]} {sys.version_info[1]}"
    return answer.returncode == 0 and answer.stdout.strip() == here


def _install_project(extras: Sequence[str]) -> None:
    wanted = f"{ROOT}[{','.join(extras)}]" if extras else str(ROOT)
    done = _pip("install", "--editable", wanted)
    if done.returncode == 0:
        return
    if _unreachable(done.stdout):
        raise EnvironmentFailure(
            "the packages that foldbridge needs could not be fetched: no network, or no package "
            f"index within reach.\nConnect this machine and run it again. pip said:\n"
            f"{_tail(done.stdout)}"
        )
    raise EnvironmentFailure(f"pip could not install foldbridge:\n{_tail(done.stdout)}")


def _install_midi() -> str:
    """Try the MIDI extra; empty when it is there, or the one line that says what is missing."""
    done = _pip("install", "--editable", f"{ROOT}[{MIDI}]")
    if done.returncode == 0:
        return ""
    return _no_midi_text(built=any(word in done.stdout for word in NOT_BUILT))


def _no_midi_text(*, built: bool) -> str:
    """One line: what is missing and how to get it.

    Args:
        built: Whether a build was tried (and failed), rather than nothing fetched.
    """
    why, remedy = "could not be fetched", "connect this machine"
    if built:
        version = f"{sys.version_info[0]}.{sys.version_info[1]}"
        why = f"has no ready-made wheel for Python {version} here and could not be built"
        remedy = "install a C++ compiler"
        if sys.platform.startswith("linux"):
            remedy += " and headers (Debian: apt-get install g++ python3-dev libasound2-dev"
            remedy += " libjack-jackd2-dev)"
        if sys.version_info[:2] > (3, 12):
            remedy += ", or use Python 3.12, which has wheels"
    return (
        f"MIDI is off, the rest works: python-rtmidi {why}; {remedy}, "
        "then run: python3 tools/start.py --again"
    )


def _unreachable(output: str) -> bool:
    return any(word in output for word in NO_NETWORK)


def _pip(*words: str) -> subprocess.CompletedProcess[str]:
    return _run(
        [environment_python(), "-m", "pip", *words, "--retries", "2", "--no-input"],
        PIP_DISABLE_PIP_VERSION_CHECK="1",
    )


def _run(command: Sequence[str | Path], **variables: str) -> subprocess.CompletedProcess[str]:
    """Run a command quietly, stdout and stderr together."""
    return subprocess.run(
        [str(word) for word in command],
        cwd=ROOT,
        env={**os.environ, "LC_ALL": "C.UTF-8", **variables},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        stdin=subprocess.DEVNULL,
        text=True,
        errors="replace",
        check=False,
    )


def _tail(output: str, lines: int = 12) -> str:
    return "\n".join(f"  {line}" for line in output.strip().splitlines()[-lines:])
