"""Steps that set and read the instruments of the bench."""
