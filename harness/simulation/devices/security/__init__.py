"""Models of authenticators."""
