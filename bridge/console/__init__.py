"""The console's side of the bridge: what it is told, what it said, whether it lives. Pure."""

from bridge.console.side import LIVE, LOST, READING, UNLIMITED, Console
from bridge.console.terms import Terms

__all__ = ["LIVE", "LOST", "READING", "UNLIMITED", "Console", "Terms"]
