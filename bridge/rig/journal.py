"""What a rig says of its journal: where it is kept, and for how long it is believed. Pure."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from bridge import limits as bounds
from bridge.rig.fields import Table

Folder = Annotated[str, Field(min_length=1, max_length=bounds.ADDRESS_CHARACTERS_MAX)]


class Journal(Table):
    """`[journal]`: what is kept so that a bridge that died comes back as it was."""

    directory: Folder | None = Field(
        None, description="Its folder, relative to this file; RIG.journal beside it when missing."
    )
    memory: Folder | None = Field(
        None,
        description="Folder in memory, not on a disk, for the levels as they are told; /dev/shm "
        "when missing and there is one.",
    )
    warm_within_s: float = Field(
        600.0,
        ge=0,
        le=86_400,
        allow_inf_nan=False,
        description="For so long after it died its levels are taken up again, s; later the start "
        "is a cold one.",
    )
    off: bool = Field(False, description="Keep none: every start is a cold one.")
