"""What each unit carries: records in bytes, values of units, numbers given out once."""
