"""What a rig says of its guard: where the bridge tells how it is, and what is trouble. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from bridge import limits as bounds
from bridge.rig.faults import shown
from bridge.rig.fields import Table
from bridge.rig.pages import PLACE
from bridge.rig.toml import Path

if TYPE_CHECKING:
    from bridge.rig.model import RigFile

Text = Annotated[str, Field(min_length=1, max_length=bounds.ADDRESS_CHARACTERS_MAX)]


class Health(Table):
    """`[health]`: how the bridge says how it is, and what counts as trouble."""

    listen: Text | None = Field(
        None,
        description="Where `/health` and `/metrics` are asked for on this machine, "
        "127.0.0.1:9780; nowhere when missing.",
    )
    stall_s: float = Field(
        0.25, ge=0.15, le=10, allow_inf_nan=False,
        description="Standing still for longer than this is told, s."
    )  # fmt: skip
    flood_per_s: float = Field(
        1000.0, ge=100, le=1e6, allow_inf_nan=False,
        description="A controller that says more than this for five seconds is thinned out, "
        "messages/s."
    )  # fmt: skip

    @property
    def place(self) -> tuple[str, int] | None:
        """Host and port to listen at; None for nowhere."""
        found = PLACE.fullmatch(self.listen or "")
        return (found["host"].strip("[]"), int(found["port"])) if found else None


def contradictions(file: RigFile) -> Iterator[tuple[Path, str, str]]:
    """What `[health]` says that cannot be.

    Yields:
        Key path, what stands there, what was expected.
    """
    listen = file.health.listen
    if listen is None:
        return
    place = file.health.place
    if place is None or not 0 <= place[1] <= 65_535:
        yield ("health", "listen"), shown(listen), "host:port in numbers, 127.0.0.1:9780"
    elif place[0] not in ("localhost", "::1") and not place[0].startswith("127."):
        yield (
            ("health", "listen"),
            shown(listen),
            "an address of this machine alone, 127.0.0.1:9780: whoever asks is not asked who it is",
        )
