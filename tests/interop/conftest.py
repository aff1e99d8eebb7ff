"""Programs as fixtures: a JACK server, MIDI devices, liblo's OSC tools, and the bridge itself."""

from __future__ import annotations

from attic import _attic, attic
from bridge_desk import house
from cellar import _cellar, cellar
from jack_desk import _jack, jack_server, midi_player, rough_jack_server
from liblo_desk import oscdump, oscsend

__all__ = [
    "_attic",
    "_cellar",
    "_jack",
    "attic",
    "cellar",
    "house",
    "jack_server",
    "midi_player",
    "oscdump",
    "oscsend",
    "rough_jack_server",
]
