"""The commands, one module for each group; imports stand inside them.

Rules: a command reads its arguments and calls the rooms; it decides nothing. What is
slow to load is loaded by the command that needs it, so that `--help` stays quick.
"""
