"""Guard bands and decision risks against published rules."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import UsageError
from harness.quality.guard import (
    FULL,
    ISO_DEFAULT,
    Proof,
    combined,
    guarded_limits,
    overall_risks,
    rectangular,
    resolution,
    uncertainty_ratio,
    worst_risk,
)


def test_standard_uncertainties() -> None:
    """JCGM 100: half width over root 3, step over root 12; 1/16 degC gives 0.0180."""
    assert rectangular(0.5) == pytest.approx(0.5 / math.sqrt(3))
    assert resolution(1 / 16) == pytest.approx(0.0180, abs=5e-5)
    assert combined(3.0, 4.0) == pytest.approx(5.0)


@pytest.mark.parametrize(
    ("multiple", "published", "recomputed", "digits"),
    [
        (0.0, 0.50, 0.5, 1e-9),
        (FULL, 0.025, 0.02275, 5e-6),
        (ISO_DEFAULT, 0.05, 0.04846, 5e-6),
        (1.5, 0.0016, 0.00135, 5e-6),
        (3.0, 1e-6, 9.87e-10, 5e-12),
    ],
)
def test_worst_risk(
    multiple: float, published: float, recomputed: float, digits: float
) -> None:
    """ILAC-G8:09/2019: the risk of each guard stays below the published one."""
    assert worst_risk(multiple) <= published
    assert worst_risk(multiple) == pytest.approx(recomputed, abs=digits)


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
    limits = guarded_limits(low=-0.5, high=0.5, expanded=0.05, multiple=FULL)
    assert limits.judge(value) is proof


@pytest.mark.parametrize(
    ("ratio", "accept", "reject"),
    [
        (1.5, 1.541, 6.625),
        (2, 1.337, 4.178),
        (3, 1.049, 2.294),
        (4, 0.858, 1.554),
        (5, 0.725, 1.168),
        (10, 0.406, 0.516),
    ],
)
def test_overall_risks(ratio: float, accept: float, reject: float) -> None:
    """Both risks in per cent, 95 % of units in tolerance, no guard (recomputed)."""
    found = overall_risks(ratio=ratio)
    assert 100 * found.false_accept == pytest.approx(accept, abs=5.1e-4)
    assert 100 * found.false_reject == pytest.approx(reject, abs=5.1e-4)


@given(st.floats(1.2, 20), st.floats(0.05, 1.0))
def test_a_guard_trades_one_risk_for_the_other(ratio: float, multiple: float) -> None:
    """A guard band lowers false accepts and raises false rejects, always."""
    plain = overall_risks(ratio=ratio)
    guarded = overall_risks(ratio=ratio, multiple=multiple)
    assert guarded.false_accept < plain.false_accept
    assert guarded.false_reject > plain.false_reject


def test_ratio() -> None:
    """Width 1 against U 0.125 is the customary four to one."""
    assert uncertainty_ratio(low=-0.5, high=0.5, expanded=0.125) == pytest.approx(4)


def test_one_limit() -> None:
    """A limit that is not there is not guarded."""
    limits = guarded_limits(low=None, high=5.0, expanded=1.0, multiple=FULL)
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
