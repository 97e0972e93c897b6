"""A gauge against known values: Cg and Cgk, bias, linearity.

Cg and Cgk as for the study of one golden unit (from memory), bias and linearity after
AIAG, Measurement Systems Analysis, 4th ed. (from memory). That book asks whether a bias
is shown; here the question is whether it is shown to be small enough, for few readings
show nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy import special

from harness.quality.moments import (
    Moments,
    moments,
    require_fraction,
    require_positive,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class GoldenCheck:
    """Many readings of one unit whose value is known.

    Attributes:
        readings: count, mean and deviation.
        bias: mean minus reference.
        bias_low: lower end of its 95 % interval.
        bias_high: upper end.
        cg: a fifth of the tolerance over six deviations; None without spread.
        cgk: the same with the bias taken off; None without spread.
        holds: True if both reach the wanted index, or without spread if the bias is
            below a tenth of the tolerance.
        wanted: index to be reached.
    """

    readings: Moments
    bias: float
    bias_low: float
    bias_high: float
    cg: float | None
    cgk: float | None
    holds: bool
    wanted: float


def golden_check(
    values: Sequence[float],
    *,
    reference: float,
    tolerance: float,
    wanted: float = 1.33,
    confidence: float = 0.95,
) -> GoldenCheck:
    """Repeatability and bias on a golden unit (25 readings or more, usually 50).

    Args:
        values: readings of the one unit.
        reference: its known value.
        tolerance: width between the limits that the gauge has to judge.
        wanted: smallest Cg and Cgk (1.33 is customary, from memory).
        confidence: of the interval of the bias.

    Raises:
        UsageError: too few values or no tolerance.
    """
    require_positive(tolerance, what="the tolerance")
    require_fraction(confidence, what="the confidence")
    sample = moments(values, what="the golden unit")
    bias = sample.mean - reference
    t = float(special.stdtrit(sample.count - 1, (1 + confidence) / 2))
    reach = t * sample.deviation / math.sqrt(sample.count)
    cg = cgk = None
    holds = abs(bias) <= 0.1 * tolerance
    if sample.deviation > 0:
        cg = 0.2 * tolerance / (6 * sample.deviation)
        cgk = (0.1 * tolerance - abs(bias)) / (3 * sample.deviation)
        holds = min(cg, cgk) >= wanted
    return GoldenCheck(
        readings=sample,
        bias=bias,
        bias_low=bias - reach,
        bias_high=bias + reach,
        cg=cg,
        cgk=cgk,
        holds=holds,
        wanted=wanted,
    )
