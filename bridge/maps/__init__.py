"""Address maps, compiled both ways: message to wish, level to message. Pure."""
