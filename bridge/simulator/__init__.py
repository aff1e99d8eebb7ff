"""Virtual clock, lossy network, console stand-in: the witness. I/O."""
