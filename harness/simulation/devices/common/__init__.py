"""What device models of several classes share: memory cells, scratchpads, pins."""
