"""Recordings of the data line: read, decoded and judged; no port, clock or journal."""
