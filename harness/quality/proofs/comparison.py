"""When a comparison of two lots is a proof: two tests have to agree.

Welch's t and the F test are exact, or nearly, for normal lots and safe for light tails; the
permutation tests of ``exchange`` hold for lots of one shape, whatever it is. A proof
needs both, so its error is at most that of the one which fits.
"""

from __future__ import annotations

from collections.abc import Sequence

from harness.quality.comparison import equivalence, variance_ratio
from harness.quality.moments import moments
from harness.quality.proofs.exchange import (
    RESAMPLES,
    difference_p,
    ratio_p,
)


def proves_equal(
    first: Sequence[float],
    second: Sequence[float],
    *,
    margin: float,
    alpha: float = 0.05,
    resamples: int = RESAMPLES,
) -> bool:
    """True if the means are shown to be equal within the margin, in the lots' unit.

    Raises:
        UsageError: too few values, no spread in either lot, or a margin that is none.
    """
    found = equivalence(moments(first), moments(second), margin=margin, alpha=alpha)
    if found.p >= alpha:
        return False
    return difference_p(first, second, margin=margin, resamples=resamples) <= alpha


def proves_spread(
    first: Sequence[float],
    second: Sequence[float],
    *,
    margin: float,
    alpha: float = 0.05,
    resamples: int = RESAMPLES,
) -> bool:
    """True if the first standard deviation is shown below ``margin`` times the second.

    Raises:
        UsageError: too few values, a lot without spread, or a margin that is none.
    """
    high = variance_ratio(moments(first), moments(second), confidence=1 - 2 * alpha)[3]
    if high > margin**2:
        return False
    return ratio_p(first, second, margin=margin, resamples=resamples) <= alpha
