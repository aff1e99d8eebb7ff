"""What looks after a running bridge: alone, alive, on time, not flooded, and saying so. Pure."""
