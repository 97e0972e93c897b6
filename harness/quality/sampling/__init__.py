"""Acceptance sampling by attributes: plans and verdicts."""
