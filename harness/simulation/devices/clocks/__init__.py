"""Models of clocks."""
