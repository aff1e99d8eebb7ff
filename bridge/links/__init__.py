"""Sockets and MIDI ports that pump what wire says, and reconnect. I/O."""
