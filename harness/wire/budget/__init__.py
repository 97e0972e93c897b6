"""The electrical budget of a bus, row by row."""
