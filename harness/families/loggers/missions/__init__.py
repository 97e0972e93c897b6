"""Missions of loggers: registers, quantities, running one, its log."""
