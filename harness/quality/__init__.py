"""Statistics over measured values: lots, samples, gauges, error rates, control charts.

Rules: everything here is arithmetic on numbers that others measured; no file and no
journal is read here. Values and limits are in the quantity's
own unit; a fraction is a fraction, never a percentage, unless the name says so. A
claim is made only by an interval or a test whose error is stated beside it.
"""
