"""Readings over a soak: do they drift, and do they leave their control limits?

The straight line is that of ``quality.trend``, which allows for serial correlation; the
control chart of single values has the rules of Western Electric (NIST/SEMATECH
e-Handbook, 6.3.2), limits from the first points and then frozen, and its signals are
held against those that chance alone gives (``quality.chart_chance``). Time is time
under test.
"""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from harness.errors import UsageError
from harness.quality.charts.chance import (
    SignalJudgement,
    individuals_distances,
    judge_signals,
)
from harness.quality.charts.limits import (
    ChartLimits,
    RuleSet,
    individuals_limits,
    signals,
)
from harness.quality.moments import FEWEST_DISTINCT
from harness.quality.quantisation import step_of
from harness.quality.trend import Trend, trend
from harness.results.soak.trace import Bin, ValueTrace

CONFIDENCE = 0.99
ALPHA = 1 - CONFIDENCE
"""Chance of a drift, or of a chart out of control, where there is nothing; of several
devices together, so each is tested at its share."""

FEWEST_BASELINE, BASELINE_SHARE = 25, 4
"""Points that the limits come from: 25 (the usual 20 to 25), of a long night a quarter of
its points, for limits from few points make most of the signals themselves."""

ALL_RULES = "Western Electric rules 1 to 4"
FIRST_RULE = "only rule 1, for readings of few different steps"


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """A straight line through a value over time under test.

    Attributes:
        per_h: slope, units an hour.
        half_width: of its 99 % interval.
        change: over the whole time watched.
        p: chance of such a slope without a drift.
        level: p at which it is a drift.
    """

    per_h: float
    half_width: float
    change: float
    p: float
    level: float = ALPHA

    @property
    def is_sure(self) -> bool:
        """True if chance does not give such a slope."""
        return self.p <= self.level


def drift(trace: ValueTrace, *, level: float = ALPHA) -> Drift | None:
    """The drift of a trace; None if there are too few points, or they lie on a line."""
    bins = trace.bins
    hours = tested_h(bins)
    values = [b.mean for b in bins]
    return drift_of(
        trend(hours, values, parts=[b.part for b in bins]), hours, level=level
    )


def drift_of(
    found: Trend | None, hours: Sequence[float], *, level: float = ALPHA
) -> Drift | None:
    """A line that was found, in the words of a soak; None of None."""
    if found is None:
        return None
    return Drift(
        per_h=found.slope,
        half_width=found.half_width(CONFIDENCE),
        change=found.slope * (hours[-1] - hours[0]),
        p=found.p,
        level=level,
    )


def tested_h(bins: Sequence[Bin]) -> list[float]:
    """Hours under test of each bin: between two parts one usual distance passes."""
    gaps = [b.at_s - a.at_s for a, b in itertools.pairwise(bins) if a.part == b.part]
    usual_s = statistics.median(gaps) if gaps else 1.0
    hours, away_s = [], 0.0
    for index, point in enumerate(bins):
        if index and point.part != bins[index - 1].part:
            away_s += point.at_s - bins[index - 1].at_s - usual_s
        hours.append((point.at_s - away_s) / 3600)
    return hours


@dataclass(frozen=True, slots=True, kw_only=True)
class TracePoint:
    """One point of a chart: journal time in seconds, and the value."""

    at_s: float
    mean: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """A control chart of one device.

    Attributes:
        points: values in the order of time.
        limits: centre and three-sigma limits, from the baseline.
        baseline: how many points they come from.
        out: points, from 0, at which a rule is broken, each with the rule.
        rules: which rules were on, in words.
        judged: the signals against those of chance.
    """

    points: tuple[TracePoint, ...]
    limits: ChartLimits
    baseline: int
    out: tuple[tuple[int, str], ...]
    rules: str
    judged: SignalJudgement

    @property
    def points_out(self) -> int:
        """Points at which any rule is broken."""
        return len({index for index, _ in self.out})

    @property
    def is_out_of_control(self) -> bool:
        """True if there are more signals than chance gives."""
        return self.judged.is_more_than_chance


def chart(trace: ValueTrace, *, level: float = ALPHA) -> Chart | None:
    """The chart of a trace; None with too few points or readings that never differ."""
    points = [TracePoint(at_s=b.at_s, mean=b.mean) for b in trace.bins]
    return chart_of(points, level=level)


def chart_of(points: Sequence[TracePoint], *, level: float = ALPHA) -> Chart | None:
    """The chart of values in the order of time; None as for ``chart``."""
    if len(points) < 2 * FEWEST_BASELINE:
        return None
    values = [point.mean for point in points]
    baseline = max(FEWEST_BASELINE, len(values) // BASELINE_SHARE)
    rounding = _rounding(values, values[:baseline])
    if rounding is None:
        return None
    limits = individuals_limits(values[:baseline])
    sigma = max(limits.sigma, rounding.least_sigma)
    limits = ChartLimits(
        centre=limits.centre,
        low=limits.centre - 3 * sigma,
        high=limits.centre + 3 * sigma,
    )
    rules = _rules(coarse=rounding.is_coarse)
    try:
        judged = judge_signals(
            values,
            individuals_distances(baseline=baseline, least_sigma=rounding.least_sigma),
            rules=rules,
            step=rounding.step,
            alpha=level,
        )
    except UsageError:
        return None
    found = signals(values[baseline:], limits, rules=rules)
    return Chart(
        points=tuple(points),
        limits=limits,
        baseline=baseline,
        out=tuple((signal.place + baseline, signal.rule) for signal in found),
        rules=FIRST_RULE if rounding.is_coarse else ALL_RULES,
        judged=judged,
    )


def _rules(*, coarse: bool) -> RuleSet:
    # readings of a few whole steps lie on one side of any centre for long
    return RuleSet.BEYOND_LIMITS if coarse else RuleSet.WESTERN_ELECTRIC


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rounding:
    """What rounding does to a chart.

    Attributes:
        step: of the values; 0 if they do not come in steps.
        least_sigma: sigma of a chart at least.
        is_coarse: True if the baseline has few different values.
    """

    step: float
    least_sigma: float
    is_coarse: bool


def _rounding(values: Sequence[float], first: Sequence[float]) -> _Rounding | None:
    """None if the values never differ.

    Whole steps hide scatter below them: the spread of rounding, a step / sqrt(12), is
    the least, and of few different steps half a step (common practice, no source).
    """
    step = step_of(values)
    coarse = len(set(first)) < FEWEST_DISTINCT
    if step == 0 and coarse:
        ways = [abs(b - a) for a, b in itertools.pairwise(values) if a != b]
        if not ways:
            return None
        step = min(ways)
    return _Rounding(
        step=step,
        least_sigma=step * (0.5 if coarse else 1 / math.sqrt(12)),
        is_coarse=coarse,
    )
