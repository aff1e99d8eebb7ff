"""Makes the JACK server and the MIDI players of tests/interop known here."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "interop"))

from jack_desk import _jack, jack_server, midi_player

__all__ = ["_jack", "jack_server", "midi_player"]
