"""The shape of a process, as its earlier lots state it.

Earlier lots may each have their own mean and spread: each is brought to mean 0 and
deviation 1 first, and then pooled. Dividing by a lot's own deviation cuts its tails;
the exact law of such a residual in a normal lot (Thompson 1935 (from memory)) is
turned back into a normal one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special, stats

from harness.errors import UsageError
from harness.quality.moments import checked
from harness.quality.proofs.shape import ALPHA, normal_p, piles
from harness.quality.quantisation import within_steps

FEWEST_IN_LOT = 50
"""A smaller lot says too little of its own deviation (a tenth of it is one standard
error at 50, 1 / sqrt(2 n)) to be brought to one."""


_FOR_LARGEST = 0.025
"""A largest value with a smaller chance speaks against a normal tail. More than ``ALPHA``:
a few units far out decide the 99.865 % point and hardly change anything else."""


@dataclass(frozen=True, kw_only=True, eq=False)
class History:
    """Earlier lots, each brought to mean 0 and deviation 1, pooled.

    Attributes:
        lots: how many.
        residuals: ascending, without unit.
        skewness: of the residuals; 0 for normal ones.
        excess: kurtosis above that of normal ones.
        is_normal: nothing in body or tails speaks against a normal shape.
        piled: whether values of a lot are piled up at its low or its high end.
    """

    lots: int
    residuals: np.ndarray
    skewness: float
    excess: float
    is_normal: bool
    piled: tuple[bool, bool]

    @property
    def count(self) -> int:
        """Values."""
        return len(self.residuals)


def history_of(lots: Sequence[Sequence[float]]) -> History:
    """Pool earlier lots of one process.

    Args:
        lots: values of each, in the quantity's unit.

    Raises:
        UsageError: no lot, one with fewer than 50 values, or one whose values are equal.
    """
    if not lots:
        raise UsageError("the history has no lot", hint="name files of earlier lots")
    pooled = np.sort(np.concatenate([_residuals(lot) for lot in lots]))
    heaps = [piles(lot) for lot in lots]
    piled = any(low for low, _ in heaps), any(high for _, high in heaps)
    return History(
        lots=len(lots),
        residuals=pooled,
        skewness=float(stats.skew(pooled)),
        excess=float(stats.kurtosis(pooled)),
        is_normal=not any(piled) and _is_normal(pooled),
        piled=piled,
    )


def _residuals(lot: Sequence[float]) -> np.ndarray:
    values = checked(lot, what="a lot of the history")
    count = len(values)
    if count < FEWEST_IN_LOT:
        raise UsageError(
            f"a lot of the history has {count} values, {FEWEST_IN_LOT} are needed",
            hint="leave it out, or put lots made alike into one file",
        )
    numbers = np.asarray(within_steps(values))
    spread = numbers.std(ddof=1)
    if spread == 0:
        raise UsageError("a lot of the history has equal values only and no shape")
    ratio = (numbers - numbers.mean()) / spread
    degrees = count - 2
    room = np.maximum((count - 1) ** 2 / count - ratio**2, 1e-9)
    return _normal_of_t(ratio * math.sqrt(degrees) / np.sqrt(room), degrees)


def _normal_of_t(t: np.ndarray, degrees: int) -> np.ndarray:
    """The normal value with the same tail; by the small tail, which keeps its digits."""
    chance = np.maximum(special.stdtr(degrees, -np.abs(t)), 1e-300)
    return np.asarray(np.copysign(-special.ndtri(chance), t))


def _is_normal(pooled: np.ndarray) -> bool:
    """Neither tests of the whole nor either tail speak against a normal shape."""
    found = normal_p(pooled.tolist())
    if found is None or found < ALPHA:
        return False
    return _is_normal_tail(pooled) and _is_normal_tail(-pooled[::-1])


def _is_normal_tail(ascending: np.ndarray) -> bool:
    """As many values beyond 3 and 3.5 deviations, and no farther one, as chance allows."""
    count = len(ascending)
    for bound in (3.0, 3.5):
        beyond = int((ascending > bound).sum())
        if stats.binom.sf(beyond - 1, count, special.ndtr(-bound)) < ALPHA:
            return False
    # the largest of so many normal values lies farther out with this chance
    farther = -math.expm1(count * math.log1p(-special.ndtr(-ascending[-1])))
    return farther >= _FOR_LARGEST
