"""slotproof: proves single-wire devices and buses with a plain serial adapter."""

__version__ = "0.1.0"
