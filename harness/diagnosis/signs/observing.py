"""All observables of an examination."""

from __future__ import annotations

from harness.diagnosis.evidence.bus import Evidence
from harness.diagnosis.signs import adapter, devices, line
from harness.diagnosis.signs.sign import Observations


def observe(evidence: Evidence) -> Observations:
    """From evidence to observables; pure."""
    subjects = (adapter, line, devices)
    return Observations.of(o for s in subjects for o in s.observed(evidence))
