"""The battery monitor 26h: memory, measuring, offset, settings."""
