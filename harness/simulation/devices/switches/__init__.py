"""Models of switches and I/O ports."""
