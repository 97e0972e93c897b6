"""The journal of a run: written, read back, in several parts."""
