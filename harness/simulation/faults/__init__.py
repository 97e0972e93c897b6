"""Faults of line, adapter and devices: settings, schedule and effects."""
