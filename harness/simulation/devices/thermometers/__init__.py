"""Models of thermometers."""
