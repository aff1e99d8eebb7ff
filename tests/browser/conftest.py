"""One browser process for all tests in a browser."""

from __future__ import annotations

import shutil
from collections.abc import Iterator

import pytest
from support.chromium import Program


@pytest.fixture(scope="session")
def program() -> Iterator[Program]:
    """The browser."""
    if shutil.which("chromium") is None:
        pytest.skip("no chromium (Debian: apt-get install chromium)")
    with Program() as running:
        yield running
