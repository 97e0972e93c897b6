"""Models of battery devices."""
