"""The shape of a process, as its earlier lots state it.

Earlier lots may each have their own mean and spread, so a unit counts by its distance from
the other units of its lot, in deviations of those others (the deleted residual; in a
normal lot Student's t with n - 2 degrees of freedom, Thompson 1935 (from memory)). A unit
divided by a deviation that it raised itself would hide: one unit 8 deviations away in a
lot of 50 raises the deviation by half. The tails of such residuals are a little longer
than those of the units, which errs on the safe side. Whether a history is normal is asked
of the residuals turned from Student's t into normal ones.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.errors import UsageError
from harness.lazy import np, special, stats
from harness.quality.moments import checked
from harness.quality.quantisation import within_steps
from harness.quality.shape import ALPHA, normal_p, piles

FEWEST_IN_LOT = 50
"""A smaller lot says too little of its own deviation (a tenth of it is one standard
error at 50, 1 / sqrt(2 n)) to be brought to one."""


FEWEST_FOR_NORMAL = 72
"""A history of smaller lots is not taken for normal. Its tail is counted beyond 3 and 3.5
deviations; the deviation of a lot of n is known to a share 1 / sqrt(2 n), so a unit at 3
deviations is seen at 3 +- 3 / sqrt(2 n). Half the way between the two, 0.25, is left of
that from 72 on: below, units that are counted beyond one bound lie beyond the other."""


_FOR_LARGEST = 0.025
"""A largest value with a smaller chance speaks against a normal tail. More than ``ALPHA``:
a few units far out decide the 99.865 % point and hardly change anything else."""


@dataclass(frozen=True, kw_only=True, eq=False)
class History:
    """Earlier lots, each brought to its own mean and deviation, pooled.

    Attributes:
        lots: how many.
        residuals: of each unit from the others of its lot, ascending, deviation 1.
        skewness: of the residuals turned into normal ones; 0 for a normal history.
        excess: of these, kurtosis above that of normal ones.
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
    found = [_residuals(lot) for lot in lots]
    residuals = np.sort(np.concatenate([own for own, _ in found]))
    pooled = np.sort(np.concatenate([normal for _, normal in found]))
    heaps = [piles(lot) for lot in lots]
    piled = any(low for low, _ in heaps), any(high for _, high in heaps)
    return History(
        lots=len(lots),
        residuals=residuals / residuals.std(),
        skewness=float(stats.skew(pooled)),
        excess=float(stats.kurtosis(pooled)),
        is_normal=not any(piled)
        and min(map(len, lots)) >= FEWEST_FOR_NORMAL
        and _is_normal(pooled),
        piled=piled,
    )


def _residuals(lot: Sequence[float]) -> tuple[np.ndarray, np.ndarray]:
    """Deleted residuals of a lot, and the same turned into normal ones."""
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
    deleted = ratio * math.sqrt(degrees) / np.sqrt(room)
    return deleted, _normal_of_t(deleted, degrees)


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
