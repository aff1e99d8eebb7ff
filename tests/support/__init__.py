"""Things that several tests use: small rigs, a console that takes everything at once."""
