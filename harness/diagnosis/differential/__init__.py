"""Causes held against observations: which stand, which are excluded, by what."""
