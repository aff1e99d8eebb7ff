"""The rules: how far and how fast the matrix may follow a wish. Pure."""
