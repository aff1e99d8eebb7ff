"""The least that MIDI through Python costs: in as it came, out on another port. I/O.

usage: midi_thru.py IN_PORT OUT_PORT

Port names as JACK has them. The floor that the bridge's MIDI path is held against.
"""

from __future__ import annotations

import sys
import threading

import rtmidi


def main(source: str, target: str) -> None:
    """Pass everything on until the process is ended."""
    entry = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name="thru")
    way_out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="thru-out")
    way_out.open_port(way_out.get_ports().index(target))
    entry.set_callback(lambda event, _: way_out.send_message(event[0]))
    entry.open_port(entry.get_ports().index(source))
    print("ready", flush=True)
    threading.Event().wait()


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2])
