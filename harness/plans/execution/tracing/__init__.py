"""Judging a recording: the journal of it, and the comparison with that of a run."""
