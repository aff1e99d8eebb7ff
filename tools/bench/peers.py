"""The bridge and its peers as processes, started and ended here. I/O."""

from __future__ import annotations

import os
import shutil
import socket
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import rigs

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
CHANNELS, BUSES = 64, 32
CELLS = CHANNELS * BUSES
START_S = 90.0
"""Patience with a process that starts, on a slow and busy machine."""
POLL_S = 0.005


class BenchFailure(Exception):
    """A figure that cannot be taken here; the text says why."""


@dataclass(slots=True)
class Device:
    """Something that takes control messages and tells a sink.

    Attributes:
        name: ``bridge``, ``bare``, ``liblo`` or ``script``.
        ports: Where it listens and tells.
        process: The running process.
        next: Number of the next message of the load generator: it goes on where it stopped, so
            that every message asks for a change.
    """

    name: str
    ports: rigs.Ports
    process: subprocess.Popen[str]
    next: int = CELLS  # the first pass would ask for what stands there already


def free_port() -> int:
    """A UDP port on loopback that nobody has at this moment."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def free_ports() -> rigs.Ports:
    """Three free ports."""
    return rigs.Ports(free_port(), free_port(), free_port())


def compiled(source: str, libraries: Sequence[str], folder: Path) -> Path:
    """Compile a C file of this folder.

    Raises:
        BenchFailure: there is no compiler, or it found a fault.
    """
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None:
        raise BenchFailure("no C compiler (Debian: apt-get install gcc libc6-dev)")
    target = folder / Path(source).stem
    command = [compiler, "-O2", "-o", str(target), str(HERE / source), *libraries]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        hint = " (Debian: apt-get install liblo-dev)" if "-llo" in libraries else ""
        raise BenchFailure(f"{source} does not compile{hint}: {done.stderr.strip()[:300]}")
    return target


def bridge_command(rig: Path) -> list[str]:
    """How the bridge is started for a rig."""
    return [sys.executable, "-P", "-m", "bridge.cli", "run", str(rig)]


def write_files(folder: Path, files: dict[str, str]) -> Path:
    """Write a rig and its maps; returns the rig's path."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder / "rig.toml"


def _environment() -> dict[str, str]:
    """As where the bridge was installed and has run before: compiled sources are kept."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return kept | {"PYTHONPYCACHEPREFIX": str(Path(tempfile.gettempdir()) / "foldbridge-bench")}


@contextmanager
def running(command: Sequence[str | Path], log: Path) -> Iterator[subprocess.Popen[str]]:
    """A process that is ended at the end; what it says goes into a file."""
    words = [str(word) for word in command]
    with log.open("w", encoding="utf-8") as output:
        process = subprocess.Popen(
            words, cwd=ROOT, stdout=output, stderr=subprocess.STDOUT, text=True, env=_environment()
        )
    try:
        yield process
    finally:
        process.terminate()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def wait_for(
    what: str, ready: Callable[[], bool], process: subprocess.Popen[str], log: Path
) -> None:
    """Poll until something is ready.

    Raises:
        BenchFailure: the process ended, or patience did.
    """
    until = time.monotonic() + START_S
    while not ready():
        if process.poll() is not None or time.monotonic() > until:
            said = log.read_text(encoding="utf-8", errors="replace").strip()[-600:]
            raise BenchFailure(f"{what} did not come up; it said: {said or 'nothing'}")
        time.sleep(POLL_S)


@contextmanager
def peer(name: str, command: Sequence[str | Path], folder: Path) -> Iterator[Device]:
    """A forwarder, up and listening; the ports are put after the command's words."""
    ports = free_ports()
    log = folder / f"{name}.log"
    words = [*command, str(ports.control), str(ports.sink)]
    words += [str(CHANNELS), str(BUSES)] if name == "liblo" else []
    with running(words, log) as process:
        wait_for(name, lambda: "ready" in log.read_text(encoding="utf-8"), process, log)
        yield Device(name, ports, process)


@contextmanager
def bridge(folder: Path) -> Iterator[Device]:
    """The bridge on a 64 x 32 rig with OSC at both ends, its start mix told and all quiet."""
    ports = free_ports()
    rig = write_files(folder / "bridge", rigs.osc_files(CHANNELS, BUSES, ports))
    log = folder / "bridge.log"
    with sink_socket(ports.sink) as sink, running(bridge_command(rig), log) as process:
        told: set[bytes] = set()
        last = {_master(bus) for bus in range(1, BUSES + 1)}

        def everything_told() -> bool:
            drain(sink, told.add)
            return last <= told

        wait_for("the bridge", everything_told, process, log)
        sink.close()
        yield Device("bridge", ports, process)


def _master(bus: int) -> bytes:
    """The word that a bus stands at its start level: the last one of a start."""
    return f"/out/{bus:02}/level".encode() + b"\0\0\0,f\0\0" + struct.pack(">f", rigs.LOW_DB)


def sink_socket(port: int) -> socket.socket:
    """A socket that hears what a device says, with room for a burst."""
    sink = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sink.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 << 20)
    sink.bind(("127.0.0.1", port))
    sink.setblocking(False)
    return sink


def drain(sink: socket.socket, take: Callable[[bytes], object]) -> None:
    """Take everything that waits at a sink."""
    while True:
        try:
            data = sink.recv(65536)
        except BlockingIOError:
            return
        take(data)


def memory_mb(pid: int) -> float:
    """Resident memory of a process and its children, MB (2^20 bytes)."""
    pids = [pid]
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        pids += [int(child) for child in task.read_text().split()]
    return sum(_resident_pages(each) for each in pids) * os.sysconf("SC_PAGE_SIZE") / 2**20


def _resident_pages(pid: int) -> int:
    try:
        return int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    except OSError:
        return 0


def percentile(values: Sequence[float], percent: float) -> float:
    """The value that so many percent of the values do not exceed (nearest rank)."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(len(ordered) * percent / 100.0))]
