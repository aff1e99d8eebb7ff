"""What a service manager is told: ready, alive, stopping, and how it goes. I/O.

The protocol is sd_notify(3): a datagram of ``NAME=value`` lines to the Unix socket that
``NOTIFY_SOCKET`` names; a leading ``@`` is an abstract one. Without that variable nobody listens,
and nothing is told. How often to say that one is alive stands in ``WATCHDOG_USEC``, if the number
in ``WATCHDOG_PID`` is ours (sd_watchdog_enabled(3)).
"""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Mapping

STATUS_CHARACTERS_MAX = 200
"""Longest status line: what fits on one line of ``systemctl status``."""

PINGS_A_TIMEOUT = 3
"""Signs of life sent in the time after which the first missing one is fatal: the man page asks for
two; one more leaves room for a busy machine."""


class Notifier:
    """The way to the service manager; without one, every call is a word to nobody.

    Args:
        environ: The environment that the service manager set.
        pid: Our own number.

    Attributes:
        watchdog_s: Silence after which we are killed, s; 0 where nobody watches.
        unheard: Words that did not get through.
    """

    def __init__(self, environ: Mapping[str, str], pid: int | None = None) -> None:
        self._address = _address(environ.get("NOTIFY_SOCKET", ""))
        self.watchdog_s = _watchdog_s(environ, os.getpid() if pid is None else pid)
        self.unheard = 0
        self._status = ""
        self._socket: socket.socket | None = None

    @property
    def listens(self) -> bool:
        """Whether a service manager wants to hear anything."""
        return self._address is not None

    @property
    def ping_s(self) -> float:
        """Time between two signs of life, s; ``inf`` where nobody watches."""
        return self.watchdog_s / PINGS_A_TIMEOUT if self.watchdog_s else float("inf")

    def ready(self, status: str) -> None:
        """Start-up is finished."""
        self._status = _line(status)
        self._tell(f"READY=1\nSTATUS={self._status}")

    def alive(self) -> None:
        """The service is still at work: said often, or it is killed and started again."""
        self._tell("WATCHDOG=1")

    def status(self, status: str) -> None:
        """How it goes, in one line for people; told when it has changed."""
        line = _line(status)
        if line != self._status:
            self._status = line
            self._tell(f"STATUS={line}")

    def stopping(self) -> None:
        """The service is about to end; nothing is told after it."""
        self._tell("STOPPING=1")
        self._address = None
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _tell(self, text: str) -> None:
        """Send one datagram; a service manager that does not listen must not hold anybody up."""
        if self._address is None:
            return
        try:
            if self._socket is None:
                self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
                self._socket.setblocking(False)
            self._socket.sendto(text.encode("utf-8", "replace"), self._address)
        except OSError:
            self.unheard += 1


def _address(name: str) -> str | None:
    """The address of a notify socket; None for none, and for kinds that we do not speak."""
    if name.startswith("@"):
        return "\0" + name[1:]
    return name if name.startswith("/") and hasattr(socket, "AF_UNIX") else None


def _watchdog_s(environ: Mapping[str, str], pid: int) -> float:
    """The watchdog's patience; 0 where it is meant for somebody else, or makes no sense."""
    if environ.get("WATCHDOG_PID", str(pid)) != str(pid):
        return 0.0
    with contextlib.suppress(ValueError):
        micros = int(environ.get("WATCHDOG_USEC", "0"))
        return micros / 1e6 if micros > 0 else 0.0
    return 0.0


def _line(text: str) -> str:
    """Text as one line of the protocol: a line break would begin another word."""
    return "".join(letter if letter.isprintable() else " " for letter in text)[
        :STATUS_CHARACTERS_MAX
    ]
