"""Supplies, meters, chambers and switches of a bench, by SCPI-99 over a VISA link.

What goes wrong with one is an error of the bench, never of a device.
"""
