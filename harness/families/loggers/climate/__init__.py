"""The logger for temperature and humidity 41h: memory, scales, readings, mission, log."""
