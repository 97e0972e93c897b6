"""Kinds of control charts: single values, means and ranges of subgroups, EWMA.

Formulas: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2 (X-bar and R), 6.3.2.2
(individuals and moving range), 6.3.2.4 (EWMA with its limits for a long run). Limits come
from a baseline and are then frozen. Whether signals mean anything is judged against what
chance gives on the very same chart (``chart_chance``), whatever its rules and skewness.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

from harness.errors import UsageError
from harness.lazy import np, signal, special
from harness.quality.capability import D2_OF_TWO
from harness.quality.charts.chance import (
    Distances,
    Rows,
    SignalJudgement,
    broken,
    judge_signals,
)
from harness.quality.charts.limits import ChartLimits, RuleSet
from harness.quality.moments import checked, require_fraction
from harness.quality.quantisation import step_of

WEIGHT = 0.2
"""Weight of the newest value in an EWMA (0.2 to 0.3 is customary: Handbook 6.3.2.4)."""

_LARGEST_SUBGROUP = 25


class ChartKind(StrEnum):
    """Which chart."""

    INDIVIDUALS = "individuals"
    XBAR_R = "xbar-r"
    EWMA = "ewma"


def chart_kind(name: str) -> ChartKind:
    """The kind of a name.

    Raises:
        UsageError: there is none.
    """
    try:
        return ChartKind(name)
    except ValueError as exc:
        raise UsageError(
            f"there is no chart {name!r}", hint=f"use {', '.join(ChartKind)}"
        ) from exc


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartPlan:
    """What is charted, and how.

    Attributes:
        kind: which chart.
        baseline: readings that the limits come from, at least two.
        rules: run rules of values and means; ranges and EWMA go by their limits alone,
            for their neighbours are alike by construction.
        subgroup: readings of a subgroup, 2 to 25; for X-bar and R only.
        weight: of the newest value; for EWMA only.
    """

    kind: ChartKind = ChartKind.INDIVIDUALS
    baseline: int = 25
    rules: RuleSet = RuleSet.WESTERN_ELECTRIC
    subgroup: int = 5
    weight: float = WEIGHT


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One chart: what was plotted, its limits, what signalled, and what that means.

    Attributes:
        name: ``value``, ``mean of 5``, ``moving range``.
        points: plotted values.
        limits: frozen.
        baseline: points that the limits come from.
        away: distances of all points from the centre, sigmas.
        signals: places of points that break a rule, from 0; of those that are judged.
        rules: that were on.
        judgement: signals against chance.
    """

    name: str
    points: tuple[float, ...]
    limits: ChartLimits
    baseline: int
    away: tuple[float, ...]
    signals: tuple[int, ...]
    rules: RuleSet
    judgement: SignalJudgement


@dataclass(frozen=True, slots=True, kw_only=True)
class _Statistic:
    """Rows of values to rows of points, and the limits of each row.

    ``points`` maps shape (charts, values) to (charts, points); ``centre_sigma`` gives
    centre and sigma of each row, shape (charts, 1), from values and points.
    """

    name: str
    baseline: int
    rules: RuleSet
    spread_over_mean: float = 0.0
    kind: ChartKind = ChartKind.INDIVIDUALS
    subgroup: int = 1
    weight: float = WEIGHT
    least_sigma: float = 0.0

    def points(self, rows: Rows) -> Rows:
        if self.kind is ChartKind.XBAR_R:
            groups = self._groups(rows)
            if self.spread_over_mean:
                return np.asarray(np.ptp(groups, axis=2), dtype=float)
            return np.asarray(groups.mean(axis=2), dtype=float)
        if self.spread_over_mean:
            return np.abs(np.diff(rows, axis=1))
        if self.kind is ChartKind.EWMA:
            before = (1 - self.weight) * rows[:, : self.baseline].mean(axis=1)
            smooth, _ = signal.lfilter(
                [self.weight], [1, self.weight - 1], rows, axis=1, zi=before[:, None]
            )
            return np.asarray(smooth, dtype=float)
        return rows

    def limits(self, rows: Rows, points: Rows) -> tuple[Rows, Rows]:
        first = points[:, : self.baseline]
        if self.spread_over_mean:
            centre = first.mean(axis=1, keepdims=True)
            return centre, self._room(self.spread_over_mean * centre)
        if self.kind is ChartKind.XBAR_R:
            ranges = np.ptp(self._groups(rows)[:, : self.baseline], axis=2)
            one = ranges.mean(axis=1, keepdims=True) / range_constants(self.subgroup)[0]
            centre = first.mean(axis=1, keepdims=True)
            return centre, self._room(one / math.sqrt(self.subgroup))
        values = rows[:, : self.baseline]
        moving = np.abs(np.diff(values, axis=1)).mean(axis=1, keepdims=True)
        one = np.maximum(moving / D2_OF_TWO, self.least_sigma)
        if self.kind is ChartKind.EWMA:
            one = one * math.sqrt(self.weight / (2 - self.weight))
        return values.mean(axis=1, keepdims=True), self._room(one)

    def distances(self, rows: Rows) -> Rows:
        points = self.points(rows)
        centre, sigma = self.limits(rows, points)
        return np.asarray((points - centre) / sigma, dtype=float)

    def judged(self) -> Distances:
        """Distances of the points after the baseline; of all if there are no others."""

        def distances(rows: Rows) -> Rows:
            away = self.distances(rows)
            return away[:, self.baseline :] if away.shape[1] > self.baseline else away

        return distances

    def _groups(self, rows: Rows) -> Rows:
        count = rows.shape[1] // self.subgroup
        return rows[:, : count * self.subgroup].reshape(len(rows), count, self.subgroup)

    @staticmethod
    def _room(sigma: Rows) -> Rows:
        # a simulated baseline that never differs has no limits: no room at all
        return np.maximum(sigma, np.finfo(float).tiny)


def panels(values: Sequence[float], plan: ChartPlan) -> tuple[Panel, ...]:
    """The charts of a plan, judged: location first, then spread (EWMA has one only).

    Args:
        values: in the order of time.
        plan: kind, baseline, rules.

    Raises:
        UsageError: too few values for the baseline's limits, or they do not differ.
    """
    numbers = np.asarray(checked(values, what="the chart", fewest=3), dtype=float)
    require_fraction(plan.weight, what="the weight of an EWMA")
    step = step_of(values)
    statistics = _statistics(plan, step, len(numbers))
    made = []
    for statistic in statistics:
        row = numbers[np.newaxis, :]
        points = statistic.points(row)
        centre, sigma = statistic.limits(row, points)
        if sigma[0, 0] <= np.finfo(float).tiny:
            raise UsageError(
                "the baseline does not scatter at all, so a chart has no limits",
                hint="use a baseline of real, different readings",
            )
        away = (points - centre) / sigma
        first = statistic.baseline if points.shape[1] > statistic.baseline else 0
        found = np.flatnonzero(broken(away[:, first:], statistic.rules)[0]) + first
        reach = 3 * float(sigma[0, 0])
        middle = float(centre[0, 0])
        low = middle - reach
        made.append(
            Panel(
                name=statistic.name,
                points=tuple(points[0].tolist()),
                limits=ChartLimits(
                    centre=middle,
                    low=max(0.0, low) if statistic.spread_over_mean else low,
                    high=middle + reach,
                ),
                baseline=min(statistic.baseline, points.shape[1]),
                away=tuple(away[0].tolist()),
                signals=tuple(found.tolist()),
                rules=statistic.rules,
                judgement=judge_signals(
                    numbers.tolist(),
                    statistic.judged(),
                    rules=statistic.rules,
                    step=step,
                    shifts=True,
                ),
            )
        )
    return tuple(made)


def _statistics(plan: ChartPlan, step: float, count: int) -> tuple[_Statistic, ...]:
    least = step / math.sqrt(12)
    if plan.kind is ChartKind.EWMA:
        return (
            _Statistic(
                name=f"EWMA, weight {plan.weight:g}",
                baseline=min(plan.baseline, count),
                rules=RuleSet.BEYOND_LIMITS,
                kind=plan.kind,
                weight=plan.weight,
                least_sigma=least,
            ),
        )
    if plan.kind is ChartKind.INDIVIDUALS:
        baseline = min(plan.baseline, count)
        d2, d3 = range_constants(2)
        return (
            _Statistic(
                name="value", baseline=baseline, rules=plan.rules, least_sigma=least
            ),
            _Statistic(
                name="moving range",
                baseline=max(1, baseline - 1),
                rules=RuleSet.BEYOND_LIMITS,
                spread_over_mean=d3 / d2,
            ),
        )
    size = plan.subgroup
    if not 2 <= size <= _LARGEST_SUBGROUP:
        raise UsageError(
            f"a subgroup has 2 to {_LARGEST_SUBGROUP} readings, not {size}"
        )
    groups = plan.baseline // size
    if groups < 2 or count < 2 * size:
        raise UsageError(
            f"a baseline of {min(plan.baseline, count)} readings has fewer than two "
            f"subgroups of {size}",
            hint="use smaller subgroups or a longer --baseline",
        )
    d2, d3 = range_constants(size)
    groups = min(groups, count // size)
    return (
        _Statistic(
            name=f"mean of {size}",
            baseline=groups,
            rules=plan.rules,
            kind=plan.kind,
            subgroup=size,
        ),
        _Statistic(
            name=f"range of {size}",
            baseline=groups,
            rules=RuleSet.BEYOND_LIMITS,
            kind=plan.kind,
            subgroup=size,
            spread_over_mean=d3 / d2,
        ),
    )


@lru_cache
def range_constants(size: int) -> tuple[float, float]:
    """d2 and d3: mean and standard deviation of the range of so many normal values.

    By integration: the mean is that of 1 - P(all below x) - P(all above x); the second
    moment that of 2 r P(range > r).
    """
    x = np.linspace(-9, 9, 3601)
    below = special.ndtr(x)
    d2 = float(np.trapezoid(1 - below**size - (1 - below) ** size, x))
    r = np.linspace(0, 14, 1401)
    density = np.exp(-x * x / 2) / math.sqrt(2 * math.pi)
    inside = special.ndtr(x[None, :] + r[:, None]) - below[None, :]
    within = np.trapezoid(size * density * inside ** (size - 1), x, axis=1)
    square = float(np.trapezoid(2 * r * (1 - within), r))
    return d2, math.sqrt(square - d2 * d2)
