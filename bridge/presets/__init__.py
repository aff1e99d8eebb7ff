"""Stored mixes: files, recalls that obey every rule, rooms that look after themselves. Pure."""
