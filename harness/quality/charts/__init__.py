"""Control charts: limits, kinds of chart, and what chance alone signals."""
