"""Bridges to other buses."""
