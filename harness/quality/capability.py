"""Process capability: how the spread of a lot sits between its limits.

Formulas: NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6. Indices from the
spread of the whole lot are called Pp and Ppk; Cp and Cpk use the spread between
neighbours (mean moving range over 1.128) and need values in the order of making.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.errors import UsageError
from harness.lazy import np, optimize, special, stats
from harness.quality.moments import (
    FEWEST_DISTINCT,
    checked,
    moments,
    require_fraction,
    require_limits,
    require_positive,
)
from harness.quality.shape import ALPHA as NORMAL_ALPHA
from harness.quality.shape import normal_p

D2_OF_TWO = 2 / math.sqrt(math.pi)
"""Expected range of two standard normal values, the tables' 1.128."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Indices:
    """The indices of a mean and a spread between limits.

    Attributes:
        cp: width of the limits over six deviations; None with one limit only.
        cpu: distance to the high limit over three deviations, or None.
        cpl: distance to the low limit over three deviations, or None.
        cpk: the smaller of ``cpu`` and ``cpl``.
        cpm: like ``cp``, with the distance from the target in the spread; or None.
        offset: distance of the mean from the middle, over half the width; or None.
    """

    cp: float | None
    cpu: float | None
    cpl: float | None
    cpk: float
    cpm: float | None
    offset: float | None


def indices(
    *,
    mean: float,
    deviation: float,
    low: float | None,
    high: float | None,
    target: float | None = None,
) -> Indices:
    """Indices of a process whose mean and deviation are known.

    Args:
        mean: in the quantity's unit.
        deviation: standard deviation, above zero.
        low: lower limit, or None.
        high: upper limit, or None.
        target: wanted value, for ``cpm``.

    Raises:
        UsageError: no limit, limits the wrong way round, or no spread.
    """
    require_limits(low, high)
    require_positive(deviation, what="the standard deviation")
    cpu = None if high is None else (high - mean) / (3 * deviation)
    cpl = None if low is None else (mean - low) / (3 * deviation)
    cp = cpm = offset = None
    if low is not None and high is not None:
        cp = (high - low) / (6 * deviation)
        offset = abs((low + high) / 2 - mean) / ((high - low) / 2)
        if target is not None:
            cpm = (high - low) / (6 * math.hypot(deviation, mean - target))
    return Indices(
        cp=cp,
        cpu=cpu,
        cpl=cpl,
        cpk=min(index for index in (cpu, cpl) if index is not None),
        cpm=cpm,
        offset=offset,
    )


def cp_interval(
    cp: float, *, count: int, confidence: float = 0.95
) -> tuple[float, float]:
    """Two-sided confidence interval of a Cp (or Pp); exact for normal data."""
    degrees = _degrees(count, confidence)
    ends = (
        math.sqrt(2 * special.gammaincinv(degrees / 2, q) / degrees)
        for q in ((1 - confidence) / 2, (1 + confidence) / 2)
    )
    low, high = (cp * end for end in ends)
    return low, high


def cpk_interval(
    cpk: float, *, count: int, confidence: float = 0.95
) -> tuple[float, float]:
    """Two-sided confidence interval of a Cpk (or Ppk); good from 25 values on."""
    reach = special.ndtri((1 + confidence) / 2) * _cpk_error(cpk, count, confidence)
    return float(cpk - reach), float(cpk + reach)


def cpk_at_least(cpk: float, *, count: int, confidence: float = 0.95) -> float:
    """One-sided lower bound of a Cpk by the normal approximation."""
    reach = special.ndtri(confidence) * _cpk_error(cpk, count, confidence)
    return float(cpk - reach)


def one_limit_at_least(index: float, *, count: int, confidence: float = 0.95) -> float:
    """Exact one-sided lower bound of an index with one limit (Cpu or Cpl)."""
    degrees = _degrees(count, confidence)
    root = math.sqrt(count)
    seen = 3 * index * root

    def excess(shift: float) -> float:
        return float(stats.nct.sf(seen, degrees, shift)) - (1 - confidence)

    reach = 10 * (1 + abs(seen) / math.sqrt(2 * degrees))
    return float(optimize.brentq(excess, seen - reach, seen + reach)) / (3 * root)


def fallout_ppm(found: Indices) -> float:
    """Share outside the limits of a normal process, in parts per million."""
    sides = (found.cpu, found.cpl)
    return 1e6 * sum(float(special.ndtr(-3 * i)) for i in sides if i is not None)


def percentile_index(
    values: Sequence[float], *, low: float | None, high: float | None
) -> float | None:
    """Like Cpk, from observed percentiles instead of a deviation (Cnpk).

    Percentiles 0.135, 50 and 99.865 (from memory) of a sample of fewer than some 700
    values are little else than its extremes. None if they coincide.
    """
    require_limits(low, high)
    numbers = checked(values)
    down, middle, up = np.quantile(numbers, [0.00135, 0.5, 0.99865])
    found = []
    if high is not None and up > middle:
        found.append((high - middle) / (up - middle))
    if low is not None and middle > down:
        found.append((middle - low) / (middle - down))
    return float(min(found)) if found else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Capability:
    """What a lot's capability is, or why it cannot be stated.

    Attributes:
        overall: Pp and Ppk; None if they cannot be stated.
        overall_interval: of Pp, or None with one limit.
        worst_interval: of Ppk.
        worst_at_least: one-sided lower bound of Ppk if the lot is normal, exact with one
            limit. No proof: whether it is normal, a lot of this size cannot show; see
            ``proofs.capability``.
        within: Cp and Cpk from the spread between neighbours; None unless asked for.
        fallout_ppm: expected outside the limits if the lot is normal.
        normal_p: p of normality, see ``shape``; None below three values.
        percentiles: Cnpk where the lot is not normal, else None.
        why_not: why there are no indices; empty if there are.
        confidence: of the intervals.
    """

    overall: Indices | None = None
    overall_interval: tuple[float, float] | None = None
    worst_interval: tuple[float, float] | None = None
    worst_at_least: float | None = None
    within: Indices | None = None
    fallout_ppm: float | None = None
    normal_p: float | None = None
    percentiles: float | None = None
    why_not: str = ""
    confidence: float


def capability(
    values: Sequence[float],
    *,
    low: float | None,
    high: float | None,
    target: float | None = None,
    in_order: bool = False,
    confidence: float = 0.95,
) -> Capability:
    """The capability of a lot.

    Args:
        values: one a unit; in the order of making if ``in_order``.
        low: lower limit, or None.
        high: upper limit, or None.
        target: wanted value, for Cpm.
        in_order: also give Cp and Cpk from neighbours.
        confidence: of the intervals.

    Raises:
        UsageError: bad values or limits.
    """
    numbers = checked(values)
    require_limits(low, high)
    sample = moments(numbers)
    distinct = len(set(numbers))
    if distinct < FEWEST_DISTINCT:
        return Capability(
            why_not=f"only {distinct} different values: the readings' step is too "
            "coarse for the spread of this lot",
            confidence=confidence,
        )
    found = indices(
        mean=sample.mean, deviation=sample.deviation, low=low, high=high, target=target
    )
    size = {"count": sample.count}
    bound = cpk_at_least if found.cp is not None else one_limit_at_least
    p = normal_p(numbers)
    odd = p is not None and p < NORMAL_ALPHA
    return Capability(
        overall=found,
        overall_interval=None
        if found.cp is None
        else cp_interval(found.cp, confidence=confidence, **size),
        worst_interval=cpk_interval(found.cpk, confidence=confidence, **size),
        worst_at_least=bound(found.cpk, confidence=confidence, **size),
        within=_within(numbers, low=low, high=high, target=target)
        if in_order
        else None,
        fallout_ppm=fallout_ppm(found),
        normal_p=p,
        percentiles=percentile_index(numbers, low=low, high=high) if odd else None,
        confidence=confidence,
    )


def _within(
    numbers: tuple[float, ...],
    *,
    low: float | None,
    high: float | None,
    target: float | None,
) -> Indices | None:
    ranges = [abs(b - a) for a, b in itertools.pairwise(numbers)]
    deviation = math.fsum(ranges) / len(ranges) / D2_OF_TWO
    if deviation == 0:
        return None
    mean = math.fsum(numbers) / len(numbers)
    return indices(mean=mean, deviation=deviation, low=low, high=high, target=target)


def _degrees(count: int, confidence: float) -> int:
    require_fraction(confidence, what="the confidence")
    if count < 2:
        raise UsageError("a spread needs at least two values")
    return count - 1


def _cpk_error(cpk: float, count: int, confidence: float) -> float:
    degrees = _degrees(count, confidence)
    return math.sqrt(1 / (9 * count) + cpk**2 / (2 * degrees))
