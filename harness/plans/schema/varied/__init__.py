"""Instruments of a fixture, and the steps that set, read and vary them."""
