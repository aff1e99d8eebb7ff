"""What a running bridge offers besides its links, each only where the rig asks for it. I/O.

Each is imported only then: a bridge without pages does not wait for a web server to load.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections.abc import AsyncIterator, Callable, Iterator
from typing import TYPE_CHECKING

from bridge import watching
from bridge.console.kept import Journal
from bridge.rig.rig import Rig

if TYPE_CHECKING:
    from bridge.daemon import Daemon
    from bridge.presets.serving import Serving

log = logging.getLogger("foldbridge")


def presets_of(daemon: Daemon, clock: Callable[[], float]) -> Serving | None:
    """The presets of a rig that names some, or has pages that may keep some."""
    if not (daemon.rig.layout.presets or daemon.rig.file.pages):
        return None
    from bridge.presets.running import Running
    from bridge.presets.serving import Serving

    engine = daemon.house.engine
    running = Running(
        daemon.house,
        clock=clock,
        wished=daemon.followed,
        tell=lambda text: log.info("%s", text),
        use_windows=lambda windows: setattr(engine.wishes, "windows", windows),
        on_current=engine.people.recalled,
    )
    return Serving(running, _minute_of_day)


@contextlib.contextmanager
def journal_of(rig: Rig) -> Iterator[Journal | None]:
    """The journal of a rig, while the context lasts; None where the rig wants none."""
    if rig.file.journal.off:
        yield None
        return
    from bridge.journal.keeper import kept

    with kept(rig) as keeper:
        yield keeper


def _minute_of_day() -> int:
    """Local time, 0..1439."""
    now = time.localtime()
    return 60 * now.tm_hour + now.tm_min


@contextlib.asynccontextmanager
async def serve(daemon: Daemon) -> AsyncIterator[None]:
    """Serve all that the rig asks for, while the context lasts.

    Raises:
        LinkError: an address cannot be used.
    """
    file = daemon.rig.file
    async with contextlib.AsyncExitStack() as stack:
        await stack.enter_async_context(daemon.guard.serve())
        if file.daemon.watch is not None:
            await stack.enter_async_context(watching.serve(file.daemon.watch, daemon.picture))
        if daemon.presets is not None:
            task = asyncio.create_task(daemon.presets.serve(), name="presets")
            stack.callback(task.cancel)
        if file.pages is not None:
            from bridge.pages.server import Pages

            await stack.enter_async_context(Pages(daemon, daemon.rig).serve())
        if file.discovery is not None:
            from bridge.oscquery.server import Discovery

            described = next(c for c in file.controller if c.id == file.discovery.controller)
            discovery = Discovery(daemon, daemon.rig, daemon.maps[described.map])
            await stack.enter_async_context(discovery.serve())
        yield
