"""Models of converters and potentiometers."""
