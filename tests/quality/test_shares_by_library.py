"""Indices, rates and tolerance intervals against SciPy's, or by their definition."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from harness.errors import UsageError
from harness.quality import capability as cap
from harness.quality.rates import (
    chance_to_prove,
    proportion_at_most,
    proportion_bounds,
    trials_needed,
)
from harness.quality.tolerance import (
    factor_howe,
    factor_one_sided,
    factor_two_sided,
    free_count,
    free_interval,
    rank_at_least,
    tolerance_interval,
)

CHANCE = np.random.default_rng(20_260_401)
A = CHANCE.normal(10.0, 1.0, 23).tolist()
B = CHANCE.normal(10.4, 1.7, 31).tolist()
near: Callable[..., Any] = pytest.approx


def test_indices_by_their_formulas() -> None:
    """Handbook 6.1.6: widths over deviations; the nearer side; the target in the spread."""
    found = cap.indices(mean=10.5, deviation=0.5, low=8.0, high=12.0, target=10.2)
    assert found.cp == near(4 / 3)
    assert found.cpu == near(1.5 / 1.5)
    assert found.cpl == near(2.5 / 1.5)
    assert found.cpk == near(1.0)
    assert found.cpm == near(4 / (6 * math.sqrt(0.25 + 0.09)))
    assert found.offset == near(0.25)
    assert cap.fallout_ppm(found) == near(
        1e6 * (stats.norm.sf(3) + stats.norm.cdf(-5)), rel=1e-6
    )
    above = cap.indices(mean=10.5, deviation=0.5, low=None, high=12.0, target=10.2)
    assert (above.cp, above.cpl, above.cpm, above.offset) == (None, None, None, None)
    assert above.cpk == above.cpu
    below = cap.indices(mean=10.5, deviation=0.5, low=8.0, high=None)
    assert (below.cpu, below.cpk) == (None, below.cpl)
    assert cap.fallout_ppm(below) == near(1e6 * stats.norm.cdf(-5))


@pytest.mark.parametrize("count", [2, 7, 40])
def test_intervals_of_indices(count: int) -> None:
    """Chi-square for Cp, the normal approximation for Cpk, noncentral t for one limit."""
    low, high = cap.cp_interval(1.2, count=count, confidence=0.9)
    assert low == near(1.2 * math.sqrt(stats.chi2.ppf(0.05, count - 1) / (count - 1)))
    assert high == near(1.2 * math.sqrt(stats.chi2.ppf(0.95, count - 1) / (count - 1)))
    error = math.sqrt(1 / (9 * count) + 1.2**2 / (2 * (count - 1)))
    wide = stats.norm.ppf(0.95) * error
    assert cap.cpk_interval(1.2, count=count, confidence=0.9) == (
        near(1.2 - wide), near(1.2 + wide),
    )  # fmt: skip
    assert cap.cpk_at_least(1.2, count=count) == near(
        1.2 - stats.norm.ppf(0.95) * error
    )
    bound = cap.one_limit_at_least(1.2, count=count)
    root = math.sqrt(count)
    tail = stats.nct.sf(3 * 1.2 * root, count - 1, 3 * bound * root)
    assert tail == near(0.05, abs=1e-6)
    with pytest.raises(UsageError, match="two values"):
        cap.cp_interval(1.2, count=1)


def test_capability_of_a_lot() -> None:
    """Each figure from its own function; neighbours only where asked for."""
    found = cap.capability(B, low=4.0, high=17.0, target=10.0, in_order=True)
    mean, s = float(np.mean(B)), float(np.std(B, ddof=1))
    assert found.overall is not None
    assert found.overall.cpk == near(min(17 - mean, mean - 4) / (3 * s))
    assert found.within is not None
    moving = np.abs(np.diff(B)).mean() / (2 / math.sqrt(math.pi))
    assert found.within.cpu == near((17 - mean) / (3 * moving))
    assert found.within.cpm == near(13 / (6 * math.hypot(moving, mean - 10)))
    assert found.overall_interval == near(cap.cp_interval(found.overall.cp, count=31))  # type: ignore[arg-type]
    assert found.worst_interval == near(cap.cpk_interval(found.overall.cpk, count=31))
    assert found.worst_at_least == near(cap.cpk_at_least(found.overall.cpk, count=31))
    assert found.percentiles is None
    assert found.normal_p is not None
    assert found.normal_p > 0.01
    one = cap.capability(B, low=4.0, high=None)
    assert one.overall is not None
    assert (one.overall_interval, one.within) == (None, None)
    assert one.worst_at_least == near(cap.one_limit_at_least(one.overall.cpk, count=31))
    skewed = (np.random.default_rng(5).exponential(size=60) + 1).tolist()
    odd = cap.capability(skewed, low=0.5, high=9.0)
    p0, p50, p99 = np.quantile(skewed, [0.00135, 0.5, 0.99865])
    assert odd.percentiles == near(
        min((9 - p50) / (p99 - p50), (p50 - 0.5) / (p50 - p0))
    )
    flat = [1.0] * 9
    assert cap.percentile_index(flat, low=0, high=2) is None
    assert cap.percentile_index([1.0] * 99 + [2.0], low=0, high=3) is not None
    steady = cap.capability([1, 2, 3, 4, 5, 6, 7, 8, 9, 10.0], low=0, high=11)
    assert steady.overall is not None
    assert "different values" in cap.capability([1.0, 1.0, 2.0], low=0, high=3).why_not
    same = cap._within((2.0, 2.0, 2.0), low=0, high=3, target=None)
    assert same is None


@pytest.mark.parametrize(
    ("errors", "trials"), [(0, 9), (1, 9), (4, 9), (9, 9), (3, 400)]
)
def test_bounds_of_a_rate(errors: int, trials: int) -> None:
    """Clopper and Pearson's, two-sided and one-sided."""
    test = stats.binomtest(errors, trials)
    exact = test.proportion_ci(0.9, method="exact")
    found = proportion_bounds(errors=errors, trials=trials, confidence=0.9)
    assert (found.low, found.high) == (near(exact.low), near(exact.high))
    one = stats.binomtest(errors, trials, alternative="less").proportion_ci(0.95)
    assert proportion_at_most(errors=errors, trials=trials) == near(one.high)
    assert chance_to_prove(
        true_rate=0.02, trials=trials, errors_allowed=errors
    ) == near(stats.binom.cdf(errors, trials, 0.02))


@pytest.mark.parametrize("allowed", [0, 1, 3])
@pytest.mark.parametrize("rate", [0.02, 0.3])
def test_fewest_trials(allowed: int, rate: float) -> None:
    """One trial fewer leaves the claim open."""
    needed = trials_needed(rate=rate, errors_allowed=allowed)
    assert stats.binom.cdf(allowed, needed, rate) <= 0.05
    assert stats.binom.cdf(allowed, needed - 1, rate) > 0.05
    # a claim that a single trial proves, exactly at the allowed chance
    assert trials_needed(rate=0.5, confidence=0.5) == 1
    assert trials_needed(rate=0.96) == 1


@pytest.mark.parametrize(("errors", "trials"), [(0, 0), (-1, 3), (4, 3)])
def test_counts_that_cannot_be(errors: int, trials: int) -> None:
    """Nothing tried, or more errors than trials."""
    with pytest.raises(UsageError):
        proportion_bounds(errors=errors, trials=trials)
    with pytest.raises(UsageError):
        proportion_at_most(errors=errors, trials=trials)


@pytest.mark.parametrize("count", [2, 5, 30])
def test_factors(count: int) -> None:
    """One-sided by noncentral t, two-sided by its definition, Howe's by chi-square."""
    root = math.sqrt(count)
    z = stats.norm.ppf(0.9)
    one = factor_one_sided(count=count, coverage=0.9, confidence=0.8)
    assert stats.nct.cdf(one * root, count - 1, z * root) == near(0.8, abs=1e-6)
    howe = factor_howe(count=count, coverage=0.9, confidence=0.8)
    chi = stats.chi2.ppf(0.2, count - 1)
    expected = stats.norm.ppf(0.95) * math.sqrt((count - 1) * (1 + 1 / count) / chi)
    assert howe == near(expected)
    two = factor_two_sided(count=count, coverage=0.9, confidence=0.8)

    def within(mean: float) -> float:
        reach = optimize.brentq(
            lambda r: stats.norm.cdf(mean + r) - stats.norm.cdf(mean - r) - 0.9, 0, 20
        )
        needed = (count - 1) * (reach / two) ** 2
        return float(stats.chi2.sf(needed, count - 1))

    means = np.linspace(-6, 6, 241) / root
    density = stats.norm.pdf(means * root) * root
    assert np.trapezoid([within(m) for m in means] * density, means) == near(
        0.8, abs=2e-4
    )


def test_ends_of_an_interval() -> None:
    """Mean and deviation with the factor; an open side has no end."""
    mean, s = float(np.mean(A)), float(np.std(A, ddof=1))
    two = factor_two_sided(count=23, coverage=0.95, confidence=0.95)
    one = factor_one_sided(count=23, coverage=0.95, confidence=0.95)
    both = tolerance_interval(A)
    assert (both.low, both.high) == (near(mean - two * s), near(mean + two * s))
    below, above = (tolerance_interval(A, side=side) for side in ("below", "above"))
    assert (below.low, below.high) == (None, near(mean + one * s))
    assert (above.low, above.high) == (near(mean - one * s), None)
    for call in (tolerance_interval, free_interval):
        with pytest.raises(UsageError, match="no side"):
            call(A, side="left")
    with pytest.raises(UsageError, match="equal"):
        tolerance_interval([2.0, 2.0, 2.0])
    with pytest.raises(UsageError, match="two values"):
        factor_one_sided(count=1, coverage=0.9, confidence=0.9)


@settings(max_examples=40)
@given(
    count=st.integers(2, 120),
    share=st.floats(0.05, 0.99),
    error=st.floats(0.01, 0.6),
)
def test_rank_of_a_quantile(count: int, share: float, error: float) -> None:
    """The smallest rank that lies below the quantile with that chance at most."""
    good = [
        rank
        for rank in range(1, count + 1)
        if stats.binom.cdf(rank - 1, count, share) >= 1 - error
    ]
    assert rank_at_least(count, share, error) == (good[0] if good else None)


@pytest.mark.parametrize("count", [20, 47, 92, 93, 200])
def test_intervals_for_any_shape(count: int) -> None:
    """Of all pairs of ranks that hold the share, one with the fewest between them."""
    values = list(range(count))
    # between ranks r and s lies a share of Beta(s - r, count - s + r + 1)
    spans = [
        span
        for span in range(1, count)
        if stats.beta.sf(0.9, span, count - span + 1) >= 0.95
    ]
    both = free_interval(values, coverage=0.9)
    if not spans:
        assert both is None
    else:
        assert both is not None
        assert both.low is not None
        assert both.high is not None
        assert both.high - both.low == spans[0]
        # as far from one end as from the other, but for one
        assert 0 <= (count - 1 - both.high) - both.low <= 1
    ranks = [
        rank
        for rank in range(1, count + 1)
        if stats.binom.cdf(rank - 1, count, 0.9) >= 0.95
    ]
    below = free_interval(values, coverage=0.9, side="below")
    above = free_interval(values, coverage=0.9, side="above")
    if not ranks:
        assert below is above is None
        return
    assert below is not None
    assert above is not None
    assert (below.low, below.high) == (None, ranks[0] - 1)
    assert (above.low, above.high) == (count - ranks[0], None)
    assert below.factor is None


@pytest.mark.parametrize(
    ("coverage", "confidence"), [(0.9, 0.95), (0.5, 0.3), (0.99, 0.9)]
)
def test_fewest_values_whose_extremes_do(coverage: float, confidence: float) -> None:
    """Wilks: the extremes of one fewer do not."""
    one = free_count(coverage=coverage, confidence=confidence, two_sided=False)
    assert 1 - coverage**one >= confidence > 1 - coverage ** (one - 1)
    two = free_count(coverage=coverage, confidence=confidence, two_sided=True)

    def trusted(count: int) -> float:
        return float(stats.beta.sf(coverage, count - 1, 2))

    assert trusted(two) >= confidence
    assert two == 2 or trusted(two - 1) < confidence
