"""From a serial port to ROM commands.

Rules: ``adapter.exchange`` is the only I/O towards the bus and the only place
that waits for it; nothing here knows a device kind, a plan or a file format.
"""
