"""Found by others: what one OSC controller may say, told by OSCQuery and announced. Pure."""
