"""Physics of the stage: levels, coupling, headroom, loads, exposure. Pure."""
