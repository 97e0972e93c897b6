"""Readings over a soak: do they drift, and do they leave their control limits?

Straight line by least squares with its interval from Student's t (NIST/SEMATECH
e-Handbook, 4.1.4.1 and 4.4.3.1); control chart of single values with the rules of
Western Electric (6.3.2), limits from the first points and then frozen.
"""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from harness.results.soak_trace import Bin, Trace

if TYPE_CHECKING:
    from harness.quality.charts import ChartLimits

_FEWEST_BINS = 8
_CONFIDENCE = 0.99
_BASELINE = 25
"""Points that the limits come from (the usual 20 to 25)."""

_RANGE_TO_SIGMA = 2 / math.sqrt(math.pi)
ALL_RULES = "Western Electric rules 1 to 4"
FIRST_RULE = "only rule 1, for readings of few different steps"
_ONE_BEYOND = "1 point beyond 3 sigma"


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """A straight line through a value over time.

    Attributes:
        per_h: slope, units an hour.
        half_width: of its 99 % interval.
        change: over the whole time watched.
        scatter: of one point beside its neighbours, standard deviation.
    """

    per_h: float
    half_width: float
    change: float
    scatter: float

    @property
    def is_sure(self) -> bool:
        """True if the slope is beyond doubt and more than the scatter of one point."""
        return abs(self.per_h) > self.half_width and abs(self.change) > self.scatter


def drift(trace: Trace, *, fewest: int = _FEWEST_BINS) -> Drift | None:
    """The drift of a trace; None if there are too few points."""
    bins = trace.bins
    if len(bins) < max(3, fewest):
        return None
    hours = [b.at_s / 3600 for b in bins]
    values = [b.mean for b in bins]
    middle = statistics.fmean(hours)
    spread = math.fsum((hour - middle) ** 2 for hour in hours)
    if spread <= 0:
        return None
    from scipy.special import stdtrit  # noqa: PLC0415 - loads scipy

    slope, intercept = statistics.linear_regression(hours, values)
    degrees = len(bins) - 2
    rest = math.fsum(
        (v - intercept - slope * hour) ** 2
        for hour, v in zip(hours, values, strict=True)
    )
    error = math.sqrt(rest / degrees / spread)
    return Drift(
        per_h=slope,
        half_width=float(stdtrit(degrees, (1 + _CONFIDENCE) / 2)) * error,
        change=slope * (hours[-1] - hours[0]),
        scatter=_short_scatter(values),
    )


def _short_scatter(values: Sequence[float]) -> float:
    ranges = [abs(b - a) for a, b in itertools.pairwise(values)]
    return statistics.fmean(ranges) / _RANGE_TO_SIGMA


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """A control chart of one device.

    Attributes:
        points: bins of time, each one point.
        limits: centre and three-sigma limits, from the baseline.
        baseline: how many points they come from.
        out: places, from 0, at which a rule is broken, each with the rule.
        likeness: correlation of neighbours in the baseline.
        rules: which rules were on, in words.
    """

    points: tuple[Bin, ...]
    limits: ChartLimits
    baseline: int
    out: tuple[tuple[int, str], ...]
    likeness: float
    rules: str

    @property
    def places_out(self) -> int:
        """Points at which any rule is broken."""
        return len({place for place, _ in self.out})


def chart(trace: Trace) -> Chart | None:
    """The chart of a trace; None with too few points or readings that never differ."""
    from harness.quality.charts import ChartLimits, individuals_limits, signals  # noqa: PLC0415 - loads scipy
    from harness.quality.moments import FEWEST_DISTINCT  # noqa: PLC0415 - as above

    points = trace.bins
    if len(points) < 2 * _BASELINE:
        return None
    values = [point.mean for point in points]
    first = values[:_BASELINE]
    steps = [abs(b - a) for a, b in itertools.pairwise(first) if a != b]
    if not steps:
        return None
    limits = individuals_limits(first)
    # whole steps hide scatter below them: the spread of rounding is the least, and of
    # few different steps half a step (common practice, no source)
    coarse = len(set(first)) < FEWEST_DISTINCT
    sigma = max(limits.sigma, min(steps) * (0.5 if coarse else 1 / math.sqrt(12)))
    limits = ChartLimits(
        centre=limits.centre,
        low=limits.centre - 3 * sigma,
        high=limits.centre + 3 * sigma,
    )
    found = signals(values[_BASELINE:], limits)
    rules = ALL_RULES
    if coarse:
        # readings of a few whole steps lie on one side of any centre for long
        found = tuple(signal for signal in found if signal.rule == _ONE_BEYOND)
        rules = FIRST_RULE
    return Chart(
        points=points,
        limits=limits,
        baseline=_BASELINE,
        out=tuple((signal.place + _BASELINE, signal.rule) for signal in found),
        likeness=_likeness(first),
        rules=rules,
    )


def _likeness(values: Sequence[float]) -> float:
    mean = statistics.fmean(values)
    whole = math.fsum((v - mean) ** 2 for v in values)
    pairs = itertools.pairwise(values)
    return math.fsum((a - mean) * (b - mean) for a, b in pairs) / whole
