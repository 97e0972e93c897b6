"""Causes: functions from evidence to findings, one module a subject."""
