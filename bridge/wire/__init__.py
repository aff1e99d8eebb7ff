"""OSC and MIDI bytes to messages and back, pacing, the console conversation. Pure."""
