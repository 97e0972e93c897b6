"""What each step of a plan does: one function a kind, gathered in ``table``.

Rules: a step asks the bus and the families and returns results; it writes no
file, shows nothing and never decides what comes next.
"""
