"""Bounds on error rates against the handbook and exactly computed values."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import UsageError
from harness.quality.rates import (
    chance_to_prove,
    proportion_at_most,
    proportion_bounds,
    trials_needed,
)


@pytest.mark.parametrize(
    ("errors", "trials", "low", "high", "digits"),
    [
        (0, 10, 0.0, 0.308497, 5e-7),
        (0, 100, 0.0, 0.0362167, 5e-8),
        (1, 1000, 2.53175e-5, 0.00555892, 5e-9),
        (3, 50, 0.0125486, 0.165482, 5e-7),
        (10, 100, 0.0490047, 0.176223, 5e-7),
        (970, 1000, 0.957449, 0.979670, 5e-7),
    ],
)
def test_exact_bounds(
    errors: int, trials: int, low: float, high: float, digits: float
) -> None:
    """Clopper and Pearson's 95 % bounds (recomputed)."""
    found = proportion_bounds(errors=errors, trials=trials)
    assert found.low == pytest.approx(low, abs=digits)
    assert found.high == pytest.approx(high, abs=digits)


def test_the_handbooks_proportion() -> None:
    """Handbook 7.2.4.1: 4 of 20 at 90 % (its 0.071354 and 0.401029 from memory)."""
    found = proportion_bounds(errors=4, trials=20, confidence=0.9)
    assert found.low == pytest.approx(0.0713539, abs=5e-8)
    assert found.high == pytest.approx(0.4010281, abs=5e-8)


@pytest.mark.parametrize(
    ("errors", "trials", "bound", "digits"),
    [
        (0, 30, 0.095034, 5e-7),
        (0, 100, 0.029513, 5e-7),
        (0, 300, 0.0099361, 5e-8),
        (0, 1000, 0.00299125, 5e-9),
        (1, 1000, 0.00473499, 5e-9),
        (2, 1000, 0.00628228, 5e-9),
        (3, 1_000_000, 7.753638e-6, 5e-13),
        (0, 28_800, 1.04e-4, 5e-7),
    ],
)
def test_what_may_be_claimed(
    errors: int, trials: int, bound: float, digits: float
) -> None:
    """One-sided 95 % bounds (recomputed); with no error the rule of three to its digits."""
    found = proportion_at_most(errors=errors, trials=trials)
    assert found == pytest.approx(bound, abs=digits)
    if errors == 0:
        assert found <= 2.9958 / trials


@pytest.mark.parametrize(
    ("rate", "at_95", "at_99"),
    [
        (0.1, 29, 44),
        (0.05, 59, 90),
        (0.02, 149, 228),
        (0.01, 299, 459),
        (0.005, 598, 919),
        (0.001, 2995, 4603),
        (1e-4, 29_956, 46_050),
        (1e-6, 2_995_731, 4_605_168),
    ],
)
def test_error_free_trials(rate: float, at_95: int, at_99: int) -> None:
    """Error-free trials for a claim (recomputed): so many do, one fewer does not."""
    assert trials_needed(rate=rate) == at_95
    assert trials_needed(rate=rate, confidence=0.99) == at_99
    assert proportion_at_most(errors=0, trials=at_95) <= rate
    assert proportion_at_most(errors=0, trials=at_95 - 1) > rate


MANY = 10**9
"""Trials so many that a bound on the share, times the trials, is that of a count."""

LEVELS = (0.50, 0.60, 0.75, 0.80, 0.90, 0.95, 0.99)
# Handbook 8.3.1.1, test-length factors (the page from memory, values recomputed)
FACTORS = {
    0: (0.693, 0.916, 1.386, 1.609, 2.303, 2.996, 4.605),
    1: (1.678, 2.022, 2.693, 2.994, 3.890, 4.744, 6.638),
    2: (2.674, 3.105, 3.920, 4.279, 5.322, 6.296, 8.406),
    3: (3.672, 4.175, 5.109, 5.515, 6.681, 7.754, 10.045),
    4: (4.671, 5.237, 6.274, 6.721, 7.994, 9.154, 11.605),
    5: (5.670, 6.292, 7.423, 7.906, 9.275, 10.513, 13.108),
    10: (10.669, 11.515, 13.020, 13.651, 15.407, 16.962, 20.145),
}


@pytest.mark.parametrize(("errors", "row"), FACTORS.items())
def test_length_factors(errors: int, row: tuple[float, ...]) -> None:
    """Every cell of the table of test lengths comes out to its printed digits."""
    for level, cell in zip(LEVELS, row, strict=True):
        got = MANY * proportion_at_most(errors=errors, trials=MANY, confidence=level)
        assert got == pytest.approx(cell, abs=5.1e-4)


@pytest.mark.parametrize(
    ("errors", "low", "high"),
    [
        (0, 0.0, 3.68888),
        (1, 0.0253178, 5.57164),
        (2, 0.242209, 7.22469),
        (3, 0.618672, 8.76727),
        (5, 1.62349, 11.66833),
        (10, 4.79539, 18.39036),
    ],
)
def test_counts(errors: int, low: float, high: float) -> None:
    """Garwood's 95 % bounds of a Poisson mean (recomputed)."""
    found = proportion_bounds(errors=errors, trials=MANY)
    assert MANY * found.low == pytest.approx(low, abs=5.1e-6)
    assert MANY * found.high == pytest.approx(high, abs=5.1e-6)


# Factors on hours per failure at 60, 80, 90 and 95 %, low/high (recomputed)
BETWEEN = {
    1: (0.3340, 4.4814, 0.2571, 9.4912, 0.2108, 19.4957, 0.1795, 39.4979),
    2: (0.4674, 2.4260, 0.3758, 3.7607, 0.3177, 5.6281, 0.2768, 8.2573),
    3: (0.5440, 1.9543, 0.4490, 2.7222, 0.3869, 3.6689, 0.3422, 4.8491),
    4: (0.5952, 1.7416, 0.5004, 2.2926, 0.4370, 2.9276, 0.3906, 3.6702),
    5: (0.6324, 1.6184, 0.5391, 2.0554, 0.4756, 2.5379, 0.4285, 3.0798),
    10: (0.7326, 1.3719, 0.6491, 1.6074, 0.5895, 1.8432, 0.5438, 2.0853),
}


@pytest.mark.parametrize(("failures", "row"), BETWEEN.items())
def test_hours_between_failures(failures: int, row: tuple[float, ...]) -> None:
    """Handbook 8.4.5.1: every factor of the table, run ended by the clock."""
    for place, level in enumerate((0.6, 0.8, 0.9, 0.95)):
        found = proportion_bounds(errors=failures, trials=MANY, confidence=level)
        low, high = (failures / (MANY * end) for end in (found.high, found.low))
        assert low == pytest.approx(row[2 * place], abs=5.1e-5)
        assert high == pytest.approx(row[2 * place + 1], abs=5.1e-5)


def test_the_handbooks_hours() -> None:
    """Handbook 8.4.5.1: 800 h with 2 failures, 90 %: 127.069 to 2251.229 h (recomputed)."""
    found = proportion_bounds(errors=2, trials=MANY, confidence=0.9)
    assert 800 / (MANY * found.high) == pytest.approx(127.069, abs=5e-4)
    assert 800 / (MANY * found.low) == pytest.approx(2251.229, abs=5e-4)


def test_a_true_rate_below_the_claim_may_still_fail() -> None:
    """At one tenth of the claim an error-free run still fails 26 % of the time, at one fifth 45 %."""
    trials = trials_needed(rate=1e-4)
    tenth = chance_to_prove(true_rate=1e-5, trials=trials, errors_allowed=0)
    fifth = chance_to_prove(true_rate=2e-5, trials=trials, errors_allowed=0)
    assert 1 - tenth == pytest.approx(0.26, abs=0.005)
    assert 1 - fifth == pytest.approx(0.45, abs=0.005)


@given(st.integers(0, 40), st.integers(1, 10**6), st.floats(0.5, 0.999))
def test_more_errors_claim_less(errors: int, more: int, confidence: float) -> None:
    """The bound lies above the seen rate and grows with each error."""
    trials = errors + more
    bound, worse = (
        proportion_at_most(errors=n, trials=trials + 1, confidence=confidence)
        for n in (errors, errors + 1)
    )
    assert errors / (trials + 1) < bound < worse


@given(st.integers(0, 6), st.floats(1e-5, 0.4), st.floats(0.6, 0.99))
def test_the_shortest_run_is_the_shortest(
    errors: int, rate: float, confidence: float
) -> None:
    """The number of trials proves the rate, and one fewer does not."""
    trials = trials_needed(rate=rate, errors_allowed=errors, confidence=confidence)
    enough = proportion_at_most(errors=errors, trials=trials, confidence=confidence)
    assert enough <= rate * (1 + 1e-9)
    if trials - 1 > errors:
        short = proportion_at_most(
            errors=errors, trials=trials - 1, confidence=confidence
        )
        assert short > rate * (1 - 1e-9)


@pytest.mark.parametrize(("errors", "trials"), [(0, 0), (3, 2), (-1, 5)])
def test_impossible_counts(errors: int, trials: int) -> None:
    """More errors than trials, or none tried, is refused."""
    with pytest.raises(UsageError):
        proportion_bounds(errors=errors, trials=trials)
    with pytest.raises(UsageError):
        proportion_at_most(errors=errors, trials=trials)
