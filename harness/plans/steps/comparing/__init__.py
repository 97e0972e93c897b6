"""Readings held against a reference of the bench, once they are stable."""
