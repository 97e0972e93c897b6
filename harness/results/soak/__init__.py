"""A soak as the journal records it: its record, findings, page."""
