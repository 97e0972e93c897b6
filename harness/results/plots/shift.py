"""Pictures of a shift: its first-pass yield over time, each quantity unit by unit.

Plain numbers in, figures out; the same numbers give the same bytes. What failed differs
in shape, not in colour alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from harness.lazy import ticker
from harness.results.plots.lots import histogram_edges, shown_indices
from harness.results.plots.palette import BLUE, GREY, VERMILION, new_figure
from harness.results.wording import one_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantityTrend:
    """One judged quantity over the units of a shift, in the order of their tests.

    Attributes:
        name: of the quantity.
        unit: its unit, may be empty.
        low: lower limit, or None.
        high: upper limit, or None.
        values: one a unit, finite.
    """

    name: str
    unit: str
    low: float | None
    high: float | None
    values: tuple[float, ...]

    @property
    def room(self) -> float:
        """Smallest distance to a limit, as a share of the window or of the only limit.

        Negative outside; infinite without a limit.
        """
        ends = [end for end in (self.low, self.high) if end is not None]
        if not ends:
            return float("inf")
        width = abs(ends[-1] - ends[0]) if len(ends) > 1 else abs(ends[0])
        nearest = min(self._distance(value) for value in self.values)
        return nearest / width if width else nearest

    def _distance(self, value: float) -> float:
        inside = [] if self.low is None else [value - self.low]
        return min([*inside, *([] if self.high is None else [self.high - value])])

    def is_outside(self, value: float) -> bool:
        """True if a value misses a limit."""
        return self._distance(value) < 0


def trend_figure(trend: QuantityTrend) -> Figure:
    """The values in the order of the tests, and their distribution, over one scale."""
    figure = new_figure(10.0, 2.9)
    left, right = figure.subplots(1, 2, sharey=True, width_ratios=[3, 1])
    _draw_values(left, trend)
    right.hist(
        trend.values,
        bins=histogram_edges(trend.values),
        orientation="horizontal",
        color=BLUE,
        alpha=0.6,
        edgecolor="black",
    )
    right.set_xlabel("units")
    right.xaxis.set_major_locator(ticker.MaxNLocator(integer=True, nbins=4))
    for axes in (left, right):
        axes.grid(alpha=0.3)
        for limit in (trend.low, trend.high):
            if limit is not None:
                axes.axhline(limit, color=VERMILION, ls="--", lw=1.4)
    unit = f", {trend.unit}" if trend.unit else ""
    left.set_ylabel(one_line(f"{trend.name}{unit}"))
    return figure


def _draw_values(axes: Axes, trend: QuantityTrend) -> None:
    indices = shown_indices(trend.values)
    outside = [at for at in indices if trend.is_outside(trend.values[at])]
    axes.plot(
        [at + 1 for at in indices],
        [trend.values[at] for at in indices],
        color=BLUE,
        lw=0.8,
        marker="o",
        ms=3.5 if len(indices) <= 200 else 1.5,
    )
    axes.scatter(
        [at + 1 for at in outside],
        [trend.values[at] for at in outside],
        marker="X",
        s=60,
        color=VERMILION,
        zorder=3,
    )
    axes.set_xlabel("unit, in the order of the tests")
    axes.xaxis.set_major_locator(ticker.MaxNLocator(integer=True))


def _time_unit(span_h: float) -> tuple[str, float]:
    """The unit in which a span has numbers above one, and how many an hour has."""
    if span_h >= 2:
        return "hours", 1.0
    return ("minutes", 60.0) if span_h >= 1 / 20 else ("seconds", 3600.0)


def yield_figure(firsts: Sequence[tuple[float, bool]]) -> Figure:
    """First-pass yield so far, after each unit's first judged test.

    Args:
        firsts: hours since the shift began, and whether the test was passed; in order.
    """
    figure = new_figure(10.0, 2.7)
    axes = figure.subplots()
    unit, per_h = _time_unit(max(at_h for at_h, _ in firsts))
    times = [at_h * per_h for at_h, _ in firsts]
    shares, passed = [], 0
    for number, (_, is_passed) in enumerate(firsts, start=1):
        passed += is_passed
        shares.append(100 * passed / number)
    axes.step(times, shares, where="post", color=BLUE, lw=1.4)
    axes.scatter(times, shares, s=12, color=BLUE)
    failed = [at for at, (_, is_passed) in enumerate(firsts) if not is_passed]
    axes.scatter(
        [times[at] for at in failed],
        [shares[at] for at in failed],
        marker="X",
        s=60,
        color=VERMILION,
        zorder=3,
    )
    axes.axhline(100, color=GREY, lw=0.9)
    axes.set_ylim(min(*shares, 90.0) - 5, 103)
    axes.set_xlabel(
        f"{unit} since the first test began; X: failed its first judged test"
    )
    axes.set_ylabel("first-pass yield so far, %")
    axes.grid(alpha=0.3)
    return figure
