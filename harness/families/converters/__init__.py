"""Analogue converters and digital potentiometers."""
