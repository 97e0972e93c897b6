"""The commands: ``declared`` says what can be typed, the modules beside it do it.

Rules: a command reads its arguments and calls the rooms; it decides nothing. A module
here is imported when its command runs, so it imports what it needs at its top.
"""
