"""Other people's programs as fixtures: a JACK server, MIDI devices, liblo's OSC tools."""

from __future__ import annotations

from jack_desk import _jack, jack_server, midi_player, rough_jack_server
from liblo_desk import oscdump, oscsend

__all__ = ["_jack", "jack_server", "midi_player", "oscdump", "oscsend", "rough_jack_server"]
