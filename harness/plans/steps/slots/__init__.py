"""Slots of a chosen low time: which can be made, what a device made of them, how much was tried."""
