"""Switches and I/O ports."""
