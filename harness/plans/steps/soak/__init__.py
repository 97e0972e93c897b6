"""The soak step: readings for hours, what is counted, and the verdicts drawn from it."""
