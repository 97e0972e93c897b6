"""What units carry and what earlier runs met: records, values, numbers, guesses."""
