"""Kinds of device that a file describes: from rows to what a built-in module offers."""
