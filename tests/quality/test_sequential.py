"""The sequential test: published steps and limits, and how rarely it errs."""

from __future__ import annotations

import random

import pytest

from harness.errors import UsageError
from harness.quality.sequential import RateWatch


def test_steps_and_limit_of_the_published_formulas() -> None:
    """p0 1e-4, p1 5e-4, a .05, b .1: +1.6094379, -0.000400120, 2.890372.

    Source: A. Wald, "Sequential Analysis" (1947), formulas; the values recomputed from
    them by an independent calculation.
    """
    watch = RateWatch(good_rate=1e-4, bad_rate=5e-4)
    assert watch.per_error == pytest.approx(1.6094379, abs=5e-8)
    assert watch.per_success == pytest.approx(-0.000400120, abs=5e-10)
    assert watch.limit == pytest.approx(2.890372, abs=5e-7)


def test_one_early_error_decides_nothing() -> None:
    """Twice the rate is told apart after five errors at the earliest: 5 ln 2 > 2.89."""
    watch = RateWatch(good_rate=0.001, bad_rate=0.002)
    assert [watch.is_bad(errors=n, trials=n) for n in range(1, 6)] == [
        False, False, False, False, True,
    ]  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize(
    ("true_rate", "low", "high"), [(0.01, 0, 0.05), (0.02, 0.5, 1)]
)
def test_a_good_rate_is_seldom_called_bad(
    true_rate: float, low: float, high: float
) -> None:
    """Looked at after each of 3000 trials, a good rate alarms in at most 5 % of nights.

    At the bad rate most nights of that length do.
    """
    chance = random.Random(5)
    alarms = 0
    for _ in range(400):
        watch, errors = RateWatch(good_rate=0.01, bad_rate=0.02), 0
        for trial in range(1, 3001):
            errors += chance.random() < true_rate
            if watch.is_bad(errors=errors, trials=trial):
                alarms += 1
                break
    assert low <= alarms / 400 <= high


@pytest.mark.parametrize("rates", [(0, 0.1), (0.2, 0.1), (0.1, 0.1), (0.5, 1)])
def test_rates_that_cannot_be_told_apart(rates: tuple[float, float]) -> None:
    """Rates out of order are refused."""
    with pytest.raises(UsageError, match="cannot be distinguished"):
        RateWatch(good_rate=rates[0], bad_rate=rates[1])
