"""Foldbridge: from the hands on a stage to the console that feeds their monitors. Pure."""

__version__ = "0.1.0"
