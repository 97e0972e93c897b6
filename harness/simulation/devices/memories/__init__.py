"""Models of memories, counters and serial numbers."""
