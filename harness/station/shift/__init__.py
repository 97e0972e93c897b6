"""A shift of the station: positions side by side, its counts, its record and its page."""
