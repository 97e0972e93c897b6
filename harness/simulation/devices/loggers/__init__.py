"""Models of loggers."""
