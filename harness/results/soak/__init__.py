"""A soak as the journal tells it: its record, findings, page."""
