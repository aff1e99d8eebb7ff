"""What every failure means, what the bridge does meanwhile, and what to do: one table. Pure."""
