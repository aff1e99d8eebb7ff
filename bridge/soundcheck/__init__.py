"""Where each microphone rings in each mix: found by ear, kept in a file. Pure."""
