"""Measuring with slots: the adapter as an equivalent-time sampler.

A frame pulls the line low for (1+k) Tb and samples it at (i+1.5) Tb. Rates and
patterns move both by fractions of a microsecond, so an edge that cannot be watched
in one slot is found by repeating the slot with the sample moved.

Rules: everything goes through ``driver.bus``; each result is a value with a half
width in which the true value lies; nothing here judges more than its own limits.
"""
