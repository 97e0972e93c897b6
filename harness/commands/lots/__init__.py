"""`slotproof lot ...`: values, samples and gauges."""
