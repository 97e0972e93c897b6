"""Times and levels of a recording against published limits, with their doubt."""
