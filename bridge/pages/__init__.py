"""Web pages of a running bridge: performers' own mixes, the engineer's whole matrix. Pure."""
