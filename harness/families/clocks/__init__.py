"""Clocks."""
