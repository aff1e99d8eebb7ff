"""Makes the fuzzer's parts importable, as ``tools/fuzz.py`` does. I/O."""

from __future__ import annotations

import sys
from pathlib import Path

TOOLS = Path(__file__).resolve().parents[2] / "tools"
for folder in (TOOLS, TOOLS / "fuzz"):
    if str(folder) not in sys.path:
        sys.path.insert(0, str(folder))
