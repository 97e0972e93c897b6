"""Own constants of devices among the evidence of their readings.

Bytes of a device's own block that never change. A run holds the device to them, and so
do the runs that follow, from the journal or the ledger.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def constants_in(evidence: Mapping[str, Any]) -> str:
    """Own constants that the evidence of a reading holds, in hex; empty if it has none."""
    found = evidence.get("own_constants")
    return found if isinstance(found, str) else ""
