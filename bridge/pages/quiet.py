"""A log for the web server that says what is wrong here, not what strangers send. I/O.

The server would log a traceback for every request that is no HTTP, with its headers and so with
tokens: anybody who reaches the port could fill the log and the disk. Such requests get their
answer and are not told.
"""

from __future__ import annotations

import logging

from aiohttp import web
from aiohttp.http_exceptions import HttpProcessingError

_THEIRS = (HttpProcessingError, web.HTTPException, web.RequestPayloadError, ConnectionError)
"""What a stranger can cause: no HTTP, a body in broken pieces, a connection that just ends."""


class _OwnFaults(logging.Filter):
    """Lets only faults of our own pass."""

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether a record is about anything but a bad request."""
        error = record.exc_info[1] if record.exc_info else None
        return not isinstance(error, _THEIRS)


QUIET = logging.getLogger("foldbridge.http")
QUIET.addFilter(_OwnFaults())
