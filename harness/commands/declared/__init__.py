"""The commands as they are declared: names, options, help. Nothing here loads a room.

Rule 1: a declaration names its function as ``module:function``; that module is imported
when the command runs, so that help and completion cost the command-line library alone.
Rule 2: names of options are names of the function's arguments; a test compares them.
"""
