"""Gauge studies: repeatability and reproducibility, bias, linearity, stability."""
