"""What a value depends on, as it happened in this run: conversions, settings, unsettled writes."""
