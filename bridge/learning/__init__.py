"""Learning a control: move it, and its map entry is written. Pure."""
