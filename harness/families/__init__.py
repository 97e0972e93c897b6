"""Device kinds: what each can be asked, and how.

Rules: one module a kind, each ending in ``FAMILIES``, the rows that the registry
collects; no family module knows another, a plan, a file or the clock. All traffic
goes through the ``Session`` that the caller hands in.
"""
