"""A MIDI helper without a driver, which can be made to misbehave. Its first argument says how.

echo     sends each message back
hang     answers until the first message, then stops reading
die      ends at the first message
slow     is busy for two seconds at each OPEN, and says so
slow!    is as slow, and does not say so
deaf     lists its port, and never reads
rude     ignores the end of its input
"""

from __future__ import annotations

import os
import sys
import threading

from bridge.links import midi_frames as frames

NEVER = threading.Event()


def say(kind: int, port: int = 0, body: bytes = b"") -> None:
    os.write(1, frames.frame(kind, port, body))


def wait(seconds: float | None = None) -> None:
    NEVER.wait(seconds)


def opened(port: int, how: str) -> None:
    if how == "slow":
        say(frames.BUSY, 0, frames.count_body(1))
    if how.startswith("slow"):
        wait(2.0)
    if how == "slow":
        say(frames.BUSY, 0, frames.count_body(0))
    say(frames.OPENED, port)


def sent(port: int, body: bytes, how: str) -> None:
    if how == "hang":
        wait()
    if how == "die":
        os._exit(1)
    say(frames.HEARD, port, body)


def main(how: str) -> None:
    say(frames.LISTED, 1, b"Knobs:in")
    say(frames.UP)
    if how == "deaf":
        wait()
    stream = frames.Frames()
    while data := os.read(0, 65536):
        for kind, port, body in stream.feed(data):
            if kind == frames.PING:
                say(frames.PONG, 0, frames.count_body(7))
            elif kind == frames.OPEN:
                opened(port, how)
            elif kind == frames.SEND:
                sent(port, body, how)
    if how == "rude":
        wait()


if __name__ == "__main__":
    main(sys.argv[1])
