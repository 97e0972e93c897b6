"""Studies against a known value, by SciPy's tests of one mean and of a line."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy import stats

from harness.errors import UsageError
from harness.quality import capability as cap
from harness.quality.gauges.reference_study import (
    BiasVerdict,
    GoldenVerdict,
    bias_study,
    golden_check,
    linearity_study,
)

CHANCE = np.random.default_rng(20_260_401)
A = CHANCE.normal(10.0, 1.0, 23).tolist()
B = CHANCE.normal(10.4, 1.7, 31).tolist()
near: Callable[..., Any] = pytest.approx


def test_bias_by_the_library() -> None:
    """T and p of one mean, and the interval of 1 - 2 alpha."""
    found = bias_study(A, reference=10.0, margin=0.7, alpha=0.05)
    library = stats.ttest_1samp(A, 10.0)
    interval = library.confidence_interval(0.9)
    assert (found.t, found.p) == (near(library.statistic), near(library.pvalue))
    assert found.low == near(interval.low - 10)
    assert found.high == near(interval.high - 10)
    assert found.bias == near(np.mean(A) - 10)
    exact = bias_study([2.0, 2.0], reference=1.5, margin=0.5)
    assert (exact.t, exact.p, exact.low, exact.high) == (None, None, 0.5, 0.5)


@pytest.mark.parametrize(
    ("bias", "margin", "verdict"),
    [
        (0.5, 0.5, BiasVerdict.WITHIN),
        (-0.5, 0.5, BiasVerdict.WITHIN),
        (0.51, 0.5, BiasVerdict.OUTSIDE),
        (-0.51, 0.5, BiasVerdict.OUTSIDE),
    ],
)
def test_a_bias_without_scatter(
    bias: float, margin: float, verdict: BiasVerdict
) -> None:
    """The margin belongs to what is within."""
    values = [8 + bias] * 3
    assert bias_study(values, reference=8.0, margin=margin).verdict is verdict
    wide = bias_study([8.0, 10.0], reference=9.0, margin=1.0)
    assert wide.verdict is BiasVerdict.UNDECIDED
    # an interval across one end of the margin says neither
    for sign in (1, -1):
        across = [9 + sign * v for v in (0.7, 0.8, 0.9, 1.0, 1.1)]
        found = bias_study(across, reference=9.0, margin=0.95)
        assert (abs(found.bias) < 0.95) is (found.verdict is BiasVerdict.UNDECIDED)


def test_a_golden_unit() -> None:
    """A fifth of the tolerance over six deviations, a tenth less the bias over three."""
    found = golden_check(A, reference=10.1, tolerance=60.0)
    s, bias = float(np.std(A, ddof=1)), float(np.mean(A)) - 10.1
    assert found.cg == near(12 / (6 * s))
    assert found.cgk == near((6 - abs(bias)) / (3 * s))
    assert found.cg_ends == near(
        cap.cp_interval(12 / (6 * s), count=23, confidence=0.9)
    )
    cgk = (6 - abs(bias)) / (3 * s)
    assert found.cgk_ends == (
        near(cap.one_limit_at_least(cgk, count=23, confidence=0.95)),
        near(cap.one_limit_at_least(cgk, count=23, confidence=0.05)),
    )
    interval = stats.ttest_1samp(A, 10.1).confidence_interval(0.95)
    assert (found.bias_low, found.bias_high) == (
        near(interval.low - 10.1), near(interval.high - 10.1),
    )  # fmt: skip
    assert found.wanted == 1.33
    for tolerance, verdict in (
        (60.0, GoldenVerdict.GOOD), (20.0, GoldenVerdict.NOT_GOOD), (30.0, GoldenVerdict.UNDECIDED),
    ):  # fmt: skip
        ends = golden_check(A, reference=float(np.mean(A)), tolerance=tolerance)
        assert ends.cg_ends is not None
        assert ends.cgk_ends is not None
        low, high = (
            min(ends.cg_ends[0], ends.cgk_ends[0]),
            min(ends.cg_ends[1], ends.cgk_ends[1]),
        )
        expected = (
            GoldenVerdict.GOOD
            if low >= 1.33
            else GoldenVerdict.NOT_GOOD
            if high < 1.33
            else GoldenVerdict.UNDECIDED
        )
        assert ends.verdict is expected is verdict
    for offset, verdict in ((0.5, GoldenVerdict.GOOD), (0.51, GoldenVerdict.NOT_GOOD)):
        same = golden_check([4 + offset] * 3, reference=4.0, tolerance=5.0)
        assert (same.cg, same.cgk, same.verdict) == (None, None, verdict)


def test_linearity_by_the_library() -> None:
    """Least squares of the bias on the reference; lack of fit by the F test of the means."""
    noise = np.random.default_rng(8).normal(size=(4, 5)) * 0.1
    x = np.repeat([1.0, 2.0, 4.0, 7.0], 5)
    y = x + 0.05 * x + 0.02 * (x - 4) ** 2 + noise.ravel()
    found = linearity_study(list(zip(x, y, strict=True)), margin=1.0)
    line = stats.linregress(x, y - x)
    reach = stats.t.ppf(0.975, 18) * line.stderr
    assert (found.slope, found.intercept) == (near(line.slope), near(line.intercept))
    assert (found.slope_low, found.slope_high) == (
        near(line.slope - reach), near(line.slope + reach),
    )  # fmt: skip
    assert (found.slope_p, found.r_squared) == (near(line.pvalue), near(line.rvalue**2))
    left = float(np.sum((y - x - line.intercept - line.slope * x) ** 2))
    assert found.residual == near(math.sqrt(left / 18))
    groups = (y - x).reshape(4, 5)
    within = float(np.sum((groups - groups.mean(axis=1, keepdims=True)) ** 2))
    f = ((left - within) / 2) / (within / 16)
    assert found.fit_p == near(stats.f.sf(f, 2, 16))
    for bias, reference in zip(found.biases, (1.0, 2.0, 4.0, 7.0), strict=True):
        alone = bias_study(
            y[x == reference].tolist(), reference=reference, margin=1.0, alpha=0.05 / 4
        )
        assert bias == alone
    exact = [(r, r + 0.1) for r in (1.0, 2.0, 3.0) for _ in (0, 1)]
    assert linearity_study(exact, margin=0.2).fit_p is None
    for few in (exact[:4], exact[:5]):
        with pytest.raises(UsageError, match="three known values"):
            linearity_study(few, margin=0.2)
