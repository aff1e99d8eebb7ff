"""A MIDI device in a process of its own. Lines in: lists of messages. Lines out: what it heard."""

from __future__ import annotations

import json
import os
import sys

import rtmidi


def main(name: str) -> None:
    pipe = os.dup(1)
    os.dup2(2, 1)  # what libraries print must not mix with the answers

    def heard(event: tuple[list[int], float], data: object) -> None:
        os.write(pipe, (json.dumps(event[0]) + "\n").encode())

    output = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name)
    output.open_virtual_port("out")
    entry = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, f"{name} ")  # JACK wants another client name
    entry.ignore_types(False, False, False)
    entry.set_callback(heard)
    entry.open_virtual_port("in")
    os.write(pipe, b"ready\n")
    for line in sys.stdin:
        for message in json.loads(line):
            output.send_message(message)
    entry.cancel_callback()
    for client in (output, entry):
        client.close_port()
        client.delete()
    os._exit(0)


if __name__ == "__main__":
    main(sys.argv[1])
