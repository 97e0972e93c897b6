"""The production line: an operator's loop around runs of a plan.

Rule 1: a verdict is what the journal says; nothing is shown that is not in it.
Rule 2: each position has its own adapter, bus and thread; what stops one position (a stuck
port, a short, an adapter that is gone) never stops another.
Rule 3: the ledger may be away at any time; journals wait and are booked later.
"""
