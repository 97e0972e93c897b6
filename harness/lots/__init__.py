"""Lots of devices: readings from journals and CSV files, judged in words.

Rules: journals and files are read here and the arithmetic is `quality`'s; nothing
below imports this room.
"""
