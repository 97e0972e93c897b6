"""Instruments of a simulated bench: SCPI in front, the bench's physics behind."""
