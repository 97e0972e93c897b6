"""Battery devices: monitors, gauges, protectors, coulomb counters."""
