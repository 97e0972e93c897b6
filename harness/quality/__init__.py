"""Statistics over measured values: lots, samples, gauges, error rates, control charts.

Rules: everything here is arithmetic on numbers that others measured, plus the reading
of those numbers from journals and CSV files. Values and limits are in the quantity's
own unit; a fraction is a fraction, never a percentage, unless the name says so. A
claim is made only by an interval or a test whose error is stated beside it.
"""
