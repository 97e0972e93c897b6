"""What the instrument found, where a test is about its value."""

from __future__ import annotations

from harness.timing.edges import Found, MeasuredEdge, NotMeasurable
from harness.timing.survey import Timing


def value_of(found: Timing | NotMeasurable) -> Timing:
    """The measured time; a test that expects one fails with the reason otherwise."""
    assert isinstance(found, Timing), found
    return found


def edge_of(found: Found) -> MeasuredEdge:
    """The edge, likewise."""
    assert isinstance(found, MeasuredEdge), found
    return found
