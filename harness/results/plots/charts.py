"""Pictures of control charts, one below the other."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from harness.quality.charts.kinds import Panel
from harness.results.plots.lots import Figures, Scale, legend, shown_indices
from harness.results.plots.palette import BLUE, GREY, VERMILION, new_figure
from harness.results.wording import one_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MOST_MARKED = 500
"""Signals that are marked; the text lists and counts them."""


def chart_figures(panels: Sequence[Panel], scale: Scale) -> Figures:
    """Each chart with centre, zones and control limits, signals marked.

    Args:
        panels: charts of the same readings.
        scale: quantity (specification limits are not drawn: they are another matter).
    """
    figure = new_figure(10.0, 1.0 + 3.6 * len(panels))
    rows = figure.subplots(len(panels), 1, squeeze=False)
    for axes, panel in zip(rows[:, 0], panels, strict=True):
        _draw(axes, panel)
        axes.set_ylabel(scale.label)
    rows[-1, 0].set_xlabel("point, in the order of time")
    return {"chart": figure}


def _draw(axes: Axes, panel: Panel) -> None:
    indices = shown_indices(panel.points)
    axes.plot(
        [index + 1 for index in indices],
        [panel.points[index] for index in indices],
        color=BLUE,
        lw=0.9,
        marker="o",
        ms=3.5 if len(indices) <= 200 else 1.5,
        label=one_line(panel.name),
    )
    limits = panel.limits
    axes.axhline(limits.centre, color="black", lw=1)
    for n, style in ((1, ":"), (2, "--"), (3, "-")):
        for side in (1, -1):
            line = limits.centre + side * n * limits.sigma
            if line >= limits.low - 1e-9 * abs(limits.low):
                axes.axhline(line, color=GREY, lw=0.9, ls=style)
        axes.text(
            1.005, limits.centre + n * limits.sigma, f"{n} sigma", va="center",
            fontsize=8, transform=axes.get_yaxis_transform(),
        )  # fmt: skip
    if panel.baseline < len(panel.points):
        axes.axvline(panel.baseline + 0.5, color="black", lw=1, ls="--")
    signals = panel.signals[:: max(1, -(-len(panel.signals) // _MOST_MARKED))]
    axes.scatter(
        [index + 1 for index in signals],
        [panel.points[index] for index in signals],
        marker="X",
        s=70,
        color=VERMILION,
        zorder=3,
        label="rule broken",
    )
    axes.set_title(
        one_line(
            f"{panel.name}: limits from the first {panel.baseline} points, rules {panel.rules}"
        ),
        fontsize=11,
    )
    legend(axes)
