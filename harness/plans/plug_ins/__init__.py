"""Kinds, checks and steps of other packages: found by entry point, loaded when named."""
