"""Guard bands and decision risks against published rules."""

from __future__ import annotations

import math
from statistics import NormalDist

import pytest

from harness.errors import UsageError
from harness.quality.guard import (
    ISO_DEFAULT,
    Proof,
    guarded_limits,
    uncertainty_ratio,
)


@pytest.mark.parametrize(
    ("multiple", "published", "recomputed"),
    [(1.0, 0.025, 0.02275), (ISO_DEFAULT, 0.05, 0.04846)],
)
def test_risk_that_a_guard_leaves(
    multiple: float, published: float, recomputed: float
) -> None:
    """ILAC-G8:09/2019: a unit just outside is accepted no more often than published.

    U is two standard deviations of a normal error, so the guard is 2 * multiple of them.
    """
    risk = NormalDist().cdf(-2 * multiple)
    assert risk <= published
    assert risk == pytest.approx(recomputed, abs=5e-6)


@pytest.mark.parametrize(("multiple", "accept"), [(1.0, 0.45), (0.83, 0.4585)])
def test_example(multiple: float, accept: float) -> None:
    """Limits +-0.5, U 0.05: accept up to 0.45 with w = U, 0.4585 with 0.83 U."""
    limits = guarded_limits(low=-0.5, high=0.5, expanded=0.05, multiple=multiple)
    assert limits.accept_high == pytest.approx(accept)
    assert limits.accept_low == pytest.approx(-accept)


@pytest.mark.parametrize(
    ("value", "proof"),
    [
        (0.44, Proof.GOOD),
        (0.47, Proof.OPEN),
        (0.53, Proof.OPEN),
        (0.56, Proof.BAD),
        (-0.44, Proof.GOOD),
        (-0.47, Proof.OPEN),
        (-0.56, Proof.BAD),
    ],
)
def test_three_outcomes(value: float, proof: Proof) -> None:
    """ISO 14253-1: proved inside, too near to tell, proved outside (beyond 0.55)."""
    limits = guarded_limits(low=-0.5, high=0.5, expanded=0.05, multiple=1.0)
    assert limits.judge(value) is proof


def test_ratio() -> None:
    """Width 1 against U 0.125 is the customary four to one."""
    assert uncertainty_ratio(low=-0.5, high=0.5, expanded=0.125) == pytest.approx(4)


def test_one_limit() -> None:
    """A limit that is not there is not guarded."""
    limits = guarded_limits(low=None, high=5.0, expanded=1.0, multiple=1.0)
    assert limits.accept_low is None
    assert limits.accept_high == 4.0
    assert limits.judge(-1e9) is Proof.GOOD


def test_what_cannot_be_guarded() -> None:
    """A guard that leaves nothing, a negative U and no reading are refused."""
    with pytest.raises(UsageError, match="leaves nothing"):
        guarded_limits(low=0, high=1, expanded=0.7)
    with pytest.raises(UsageError, match="zero or more"):
        guarded_limits(low=0, high=1, expanded=-0.1)
    with pytest.raises(UsageError, match="proves nothing"):
        guarded_limits(low=0, high=1, expanded=0.1).judge(math.nan)
