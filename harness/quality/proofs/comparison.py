"""When a comparison of two lots is a proof: two tests have to agree.

Welch's t and the F test are exact, or nearly, for normal lots and safe for light tails; the
permutation tests of ``exchange`` hold for lots of one shape, whatever it is. A proof
needs both, so its error is at most that of the one which fits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from harness.quality.comparison import (
    Equivalence,
    MeanVerdict,
    SpreadRatio,
    equivalence,
    spread_ratio,
)
from harness.quality.moments import moments
from harness.quality.proofs.exchange import (
    RESAMPLES,
    difference_p,
    ratio_p,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanProof:
    """Are two means shown to be equal within a margin?

    Attributes:
        by_t: the two one-sided tests, for normal lots.
        exchange_p: the same by exchanging units between the lots; None where the tests
            for normal lots had not shown it.
    """

    by_t: Equivalence
    exchange_p: float | None

    @property
    def is_proved(self) -> bool:
        """True if both tests show it."""
        return self.exchange_p is not None and self.exchange_p <= self.by_t.alpha


def prove_means(
    first: Sequence[float],
    second: Sequence[float],
    *,
    margin: float,
    alpha: float = 0.05,
    resamples: int = RESAMPLES,
) -> MeanProof:
    """Try to show that two means are equal within the margin, in the lots' unit.

    Raises:
        UsageError: too few values, no spread in either lot, or a margin that is none.
    """
    by_t = equivalence(moments(first), moments(second), margin=margin, alpha=alpha)
    p = None
    if by_t.verdict is MeanVerdict.EQUAL:
        p = difference_p(first, second, margin=margin, resamples=resamples)
    return MeanProof(by_t=by_t, exchange_p=p)


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadProof:
    """Is the first standard deviation shown below so many times the second?

    Attributes:
        ratio: the F interval of the ratio, for normal lots.
        alpha: allowed chance of a false proof.
        exchange_p: by exchanging units between the lots; None where the F interval had
            not shown it.
    """

    ratio: SpreadRatio
    alpha: float
    exchange_p: float | None

    @property
    def is_proved(self) -> bool:
        """True if both tests show it."""
        return self.exchange_p is not None and self.exchange_p <= self.alpha


def prove_spread(
    first: Sequence[float],
    second: Sequence[float],
    *,
    margin: float,
    alpha: float = 0.05,
    resamples: int = RESAMPLES,
) -> SpreadProof:
    """Try to show that the first standard deviation is below ``margin`` times the second.

    Raises:
        UsageError: too few values, a lot without spread, or a margin that is none.
    """
    ratio = spread_ratio(first, second, confidence=1 - 2 * alpha)
    p = None
    if ratio.high <= margin:
        p = ratio_p(first, second, margin=margin, resamples=resamples)
    return SpreadProof(ratio=ratio, alpha=alpha, exchange_p=p)
