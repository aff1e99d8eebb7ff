"""The kinds of values that several tables of a rig file share. Pure."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from bridge import limits as bounds

ID_PATTERN = r"^[a-z0-9][a-z0-9_-]{0,39}$"
NAME_PATTERN = r"^[^\x00-\x1f\x7f-\x9f]*[^\x00-\x20\x7f-\x9f][^\x00-\x1f\x7f-\x9f]*$"
"""Something to see and nothing that a terminal obeys: names go into logs and the live view."""

SEEN_PATTERN = r"[^\x00-\x20\x7f-\x9f]"
"""At least something to see."""

Id = Annotated[str, Field(pattern=ID_PATTERN)]
Name = Annotated[str, Field(min_length=1, max_length=bounds.NAME_CHARACTERS_MAX,
                            pattern=NAME_PATTERN)]  # fmt: skip


class Table(BaseModel):
    """A table that knows its keys: others are refused, true is no number, nothing is changed."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, defer_build=True)
