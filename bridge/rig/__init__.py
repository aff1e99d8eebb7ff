"""What the user declares: rig models, loading, the numbering of parameters. Pure."""
