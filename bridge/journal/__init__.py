"""What outlives the process: levels as told, who did what, and how a bridge comes back. Pure."""
