"""What USB reports of an adapter: its chip, its names, whether it is the same as before.

``device_tree`` is the one seam to the system: all else works on its ``HostPort`` records,
and tests give it another machine. Nothing here opens a port.
"""
