"""Bursts against the handbook and exactly computed values."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import UsageError
from harness.quality.bursts import (
    ErrorBurst,
    bursts,
    clustering,
)


def test_grouping() -> None:
    """A pause of the gap ends a burst, a shorter one does not; order does not matter."""
    found = bursts([100.0, 3.0, 1.0, 2.0, 13.0], gap_s=10)
    assert found == (
        ErrorBurst(first_s=1, last_s=3, errors=3),
        ErrorBurst(first_s=13, last_s=13, errors=1),
        ErrorBurst(first_s=100, last_s=100, errors=1),
    )
    assert bursts([], gap_s=1) == ()


@given(st.lists(st.floats(0, 1e5)), st.floats(0.001, 1e4))
def test_grouping_loses_no_error(times: list[float], gap_s: float) -> None:
    """Every error is in one burst, and bursts are a gap apart."""
    found = bursts(times, gap_s=gap_s)
    assert sum(burst.errors for burst in found) == len(times)
    for before, after in itertools.pairwise(found):
        assert after.first_s - before.last_s >= gap_s


def test_what_cannot_be_told() -> None:
    """No error, negative counts and a gap of nothing are refused."""
    with pytest.raises(UsageError, match="no error"):
        clustering([0, 0, 0], exposure=[1] * 3)
    with pytest.raises(UsageError, match="negative"):
        clustering([1, -1], exposure=[1] * 2)
    with pytest.raises(UsageError, match="gap is 0"):
        bursts([1.0], gap_s=0)


def test_bursts_in_intervals_of_known_exposure() -> None:
    """Mean 2/3 and variance 2.9697 of twelve counts: 49.0 on 11 df (recomputed).

    The same errors in an interval six times as long as the others are none.
    """
    counts = (0, 0, 1, 0, 0, 0, 6, 0, 0, 0, 1, 0)
    found = clustering(counts, exposure=[1] * 12)
    assert found.ratio == pytest.approx(49.0 / 11)
    assert found.p <= 0.001
    long = [0.05] * 12
    long[6], long[2], long[10] = 6, 1, 1
    assert clustering(counts, exposure=long).p > 0.1


def test_exposure_must_be_there() -> None:
    """No error and no exposure are refused."""
    with pytest.raises(UsageError, match="there was no error"):
        clustering((0, 0), exposure=(1, 1))
    with pytest.raises(UsageError, match="exposure"):
        clustering((1, 0), exposure=(1, 0))
