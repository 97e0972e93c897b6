"""Loggers of temperature, and of temperature and humidity."""
