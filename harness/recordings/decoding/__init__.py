"""Edges to lows, lows to resets and slots, slots to transactions; no I/O."""
