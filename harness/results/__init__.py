"""The journal of a run, and the reports that are made from it.

Rule 1: the journal is the only source; every report is a projection of the
``RunRecord`` that is folded from its events, and can be rebuilt at any time.
Rule 2: this room knows records and events, never ports, buses or plans.
Rule 3: durations are seconds on the port's clock, ``at`` is the calendar in UTC.
"""
