"""Figures: of a run, a soak and a lot."""
