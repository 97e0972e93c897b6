"""Shapes that families have in common, each written once.

Rules: a shape knows bytes, sessions and errors, never a family; what differs from
part to part is a row of data that the family hands in. The parts of a long family stand
here too, their names beginning alike (``monitor_memory``, ``monitor_settings``).
"""
