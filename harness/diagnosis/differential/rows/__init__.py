"""Causes as rows, one module a subject."""
