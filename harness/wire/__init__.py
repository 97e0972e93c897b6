"""Arithmetic of the wire: limits, frames, check values, ROM codes.

Rules: every function is pure; no I/O, no clock, no logging. Times are in
microseconds (``_us``), rates in baud, resistances in ohm, capacitances in nF.
"""
