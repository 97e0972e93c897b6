"""The run record: what the events of a journal add up to."""
