"""Evidence: what the probes found, as typed records."""
