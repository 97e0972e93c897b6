"""Pictures of lots: histogram, probability plot, boxes, charts, OC curve, gauge study.

Plain numbers in, figures out by name; the same numbers give the same bytes. Colours are
those of the palette; lots differ in hatching and marker as well, signals in shape.
"""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil
from pathlib import Path
from typing import TYPE_CHECKING

from harness.quality.steps import step_of
from harness.results.palette import BLUE, GREY, ORANGE, VERMILION, new_figure
from harness.results.wording import one_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_COLOURS = (BLUE, ORANGE)
_MARKERS = ("o", "^")
_HATCHES = ("", "///")
_STATION_MARKERS = ("o", "^", "s", "D")
_KINDS = ("png", "svg")

Figures = Mapping[str, "Figure"]
"""Name of the file without its ending, and the figure."""
_FEWEST_BINS, _MOST_BINS = 6, 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """What the axis of values shows.

    Attributes:
        quantity: its name.
        unit: its unit, may be empty.
        low: lower limit, or None.
        high: upper limit, or None.
        guard: how far acceptance limits lie inside, zero for none.
    """

    quantity: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    guard: float = 0.0

    @property
    def label(self) -> str:
        """For the axis."""
        unit = f", {self.unit}" if self.unit else ""
        return one_line(f"{self.quantity}{unit}")

    @property
    def lines(self) -> tuple[tuple[float, str, str], ...]:
        """Value, line style and name of each limit."""
        found = []
        for limit, inwards in ((self.low, 1), (self.high, -1)):
            if limit is not None:
                found.append((limit, "-", "limit"))
                if self.guard:
                    found.append((limit + inwards * self.guard, "--", "acceptance"))
        return tuple(found)


def save(figures: Figures, folder: Path) -> list[Path]:
    """Each figure as PNG and SVG; returns the files.

    Args:
        figures: what to save.
        folder: where to put them; made if need be.

    Raises:
        OSError: the folder does not take them.
    """
    return [p for name, figure in figures.items() for p in _save(figure, folder / name)]


def lot_figures(lots: Mapping[str, Sequence[float]], scale: Scale) -> Figures:
    """Histogram, probability plot and boxes of one or two lots.

    Args:
        lots: name to values, one a unit.
        scale: quantity and limits.
    """
    return {
        "histogram": _histogram(lots, scale),
        "probability": _probability(lots, scale),
        "boxes": _boxes(lots, scale),
    }


def chart_figures(
    values: Sequence[float],
    *,
    centre: float,
    sigma: float,
    baseline: int,
    signals: Sequence[int],
    rules: str,
    scale: Scale,
) -> Figures:
    """A control chart of single values.

    Args:
        values: in the order of time.
        centre: middle line.
        sigma: a third of the distance of the control limits from it.
        baseline: the limits come from so many first values.
        signals: places, from 0, at which a rule is broken.
        rules: name of the rules that were on.
        scale: quantity (specification limits are not drawn: they are another matter).
    """
    figure = new_figure(10.0, 4.6)
    axes = figure.subplots()
    places = range(1, len(values) + 1)
    axes.plot(places, values, color=BLUE, lw=0.9, marker="o", ms=3.5, label="value")
    axes.axhline(centre, color="black", lw=1)
    for n, style in ((1, ":"), (2, "--"), (3, "-")):
        for side in (1, -1):
            axes.axhline(centre + side * n * sigma, color=GREY, lw=0.9, ls=style)
        axes.text(
            1.005, centre + n * sigma, f"{n} sigma", va="center", fontsize=8,
            transform=axes.get_yaxis_transform(),
        )  # fmt: skip
    if baseline < len(values):
        axes.axvline(baseline + 0.5, color="black", lw=1, ls="--")
    axes.scatter(
        [place + 1 for place in signals],
        [values[place] for place in signals],
        marker="X",
        s=70,
        color=VERMILION,
        zorder=3,
        label="rule broken",
    )
    axes.set_title(
        one_line(f"{scale.quantity}: limits from the first {baseline}, rules {rules}"),
        fontsize=11,
    )
    axes.set_xlabel("reading, in the order of time")
    axes.set_ylabel(scale.label)
    _legend(axes)
    return {"chart": figure}


def oc_figures(
    curve: Sequence[tuple[float, float]],
    *,
    marks: Mapping[str, float],
    title: str,
) -> Figures:
    """The operating characteristic of a sampling plan.

    Args:
        curve: share of bad units (0 to 1) and chance to accept, ascending.
        marks: name to share of bad units, drawn as lines.
        title: the plan in words.
    """
    figure = new_figure(8.0, 4.6)
    axes = figure.subplots()
    axes.plot([100 * p for p, _ in curve], [100 * c for _, c in curve], color=BLUE)
    styles = ("--", ":", "-.", (0, (1, 3)))
    for (name, share), style in zip(marks.items(), styles, strict=False):
        axes.axvline(100 * share, color=GREY, ls=style, lw=1.2, label=one_line(name))
    axes.set_ylim(0, 102)
    axes.set_xlim(0, 100 * curve[-1][0])
    axes.set_title(one_line(title), fontsize=11)
    axes.set_xlabel("bad units in the lot, %")
    axes.set_ylabel("chance to accept the lot, %")
    _legend(axes)
    return {"oc-curve": figure}


def golden_figures(
    values: Sequence[float], *, reference: float, scale: Scale
) -> Figures:
    """Readings of one golden unit in the order of time.

    Args:
        values: the readings.
        reference: its known value.
        scale: quantity; its limits lie a tenth of the tolerance from the reference, so
            far as bias and scatter together may reach.
    """
    figure = new_figure(8.5, 4.0)
    axes = figure.subplots()
    axes.plot(
        range(1, len(values) + 1), values, color=BLUE, lw=0.9, marker="o", ms=3.5,
        label="reading",
    )  # fmt: skip
    axes.axhline(reference, color="black", lw=1.2, label="reference")
    axes.axhline(statistics.fmean(values), color=ORANGE, ls="--", lw=1.4, label="mean")
    for limit, label in (
        (scale.low, "a tenth of the tolerance"),
        (scale.high, "_same"),
    ):
        if limit is not None:
            axes.axhline(limit, color=VERMILION, lw=1.4, label=label)
    axes.set_xlabel("reading, in the order of time")
    axes.set_ylabel(scale.label)
    _legend(axes)
    return {"readings": figure}


def gauge_figures(
    readings: Sequence[tuple[str, str, float]], *, scale: Scale
) -> Figures:
    """Every reading of a gauge study, part by part.

    Args:
        readings: part, station and value.
        scale: quantity and unit.
    """
    parts = list(dict.fromkeys(part for part, _, _ in readings))
    stations = list(dict.fromkeys(station for _, station, _ in readings))
    figure = new_figure(8.5, 4.4)
    axes = figure.subplots()
    for place, station in enumerate(stations):
        mine = [(parts.index(p), v) for p, s, v in readings if s == station]
        aside = 0.3 * (place - (len(stations) - 1) / 2) / max(1, len(stations) - 1)
        axes.plot(
            [part + aside for part, _ in mine],
            [value for _, value in mine],
            ls="",
            marker=_STATION_MARKERS[place % len(_STATION_MARKERS)],
            ms=5,
            mfc="none",
            color=_COLOURS[place % 2],
            label=one_line(station),
        )
    axes.set_xticks(range(len(parts)), [one_line(p) for p in parts], rotation=45)
    axes.set_xlabel("part")
    axes.set_ylabel(scale.label)
    _legend(axes)
    return {"parts": figure}


def _histogram(lots: Mapping[str, Sequence[float]], scale: Scale) -> Figure:
    figure = new_figure(8.5, 4.6)
    axes = figure.subplots()
    edges = _edges([v for values in lots.values() for v in values])
    for place, (name, values) in enumerate(lots.items()):
        axes.hist(
            values,
            bins=edges,
            weights=[100 / len(values)] * len(values),
            color=_COLOURS[place % 2],
            hatch=_HATCHES[place % 2],
            edgecolor="black",
            alpha=0.6,
            label=one_line(f"{name}, {len(values)} units"),
        )
    _draw_limits(axes, scale)
    axes.set_xlabel(scale.label)
    axes.set_ylabel("units, %")
    _legend(axes)
    return figure


def _edges(values: Sequence[float]) -> list[float]:
    """Bins after Freedman and Diaconis, never fewer or more than a reader can use.

    Readings in steps get whole steps a bin, or bins would come out empty and double.
    """
    low, high = min(values), max(values)
    if low == high:
        half = 0.5 * (abs(low) or 1.0) * 1e-3
        return [low - half, low + half]
    count = _bin_count(values)
    if step := step_of(values):
        low, high = low - step / 2, high + step / 2
        width = step * max(1, round((high - low) / count / step))
        return [low + width * n for n in range(ceil((high - low) / width) + 1)]
    return [low + (high - low) * n / count for n in range(count + 1)]


def _bin_count(values: Sequence[float]) -> int:
    low, high = min(values), max(values)
    count = _FEWEST_BINS
    if len(values) >= 4:
        quarters = statistics.quantiles(values, n=4)
        width = 2 * (quarters[2] - quarters[0]) / len(values) ** (1 / 3)
        if width > 0:
            count = round((high - low) / width)
    return min(_MOST_BINS, max(_FEWEST_BINS, count))


def _probability(lots: Mapping[str, Sequence[float]], scale: Scale) -> Figure:
    """Sorted values against what a normal lot would give; a straight line is normal."""
    figure = new_figure(8.0, 5.0)
    axes = figure.subplots()
    normal = statistics.NormalDist()
    for place, (name, values) in enumerate(lots.items()):
        count, colour = len(values), _COLOURS[place % 2]
        # plotting positions after Blom
        scores = [
            normal.inv_cdf((n - 0.375) / (count + 0.25)) for n in range(1, count + 1)
        ]
        axes.plot(
            sorted(values), scores, ls="", marker=_MARKERS[place % 2], ms=4,
            color=colour, label=one_line(name),
        )  # fmt: skip
        mean, deviation = statistics.fmean(values), statistics.stdev(values)
        axes.plot(
            [mean + deviation * z for z in (scores[0], scores[-1])],
            [scores[0], scores[-1]],
            color=colour,
            lw=1,
        )
    shares = (0.001, 0.01, 0.05, 0.25, 0.5, 0.75, 0.95, 0.99, 0.999)
    axes.set_yticks(
        [normal.inv_cdf(p) for p in shares], [f"{100 * p:g}" for p in shares]
    )
    _draw_limits(axes, scale)
    axes.set_xlabel(scale.label)
    axes.set_ylabel("units at or below, % (normal scale)")
    _legend(axes)
    return figure


def _boxes(lots: Mapping[str, Sequence[float]], scale: Scale) -> Figure:
    figure = new_figure(8.5, 1.8 + 0.8 * len(lots))
    axes = figure.subplots()
    boxes = axes.boxplot(
        list(lots.values()),
        orientation="horizontal",
        widths=0.55,
        patch_artist=True,
        tick_labels=[one_line(name) for name in lots],
        flierprops={"marker": "x", "markeredgecolor": VERMILION},
        medianprops={"color": "black"},
    )
    for place, box in enumerate(boxes["boxes"]):
        box.set(facecolor=_COLOURS[place % 2], alpha=0.6, hatch=_HATCHES[place % 2])
    _draw_limits(axes, scale)
    axes.invert_yaxis()
    axes.set_xlabel(scale.label)
    _legend(axes)
    return figure


def _draw_limits(axes: Axes, scale: Scale) -> None:
    seen: set[str] = set()
    for value, style, name in scale.lines:
        label = name if name not in seen else "_same"
        axes.axvline(value, color=VERMILION, ls=style, lw=1.4, label=label)
        seen.add(name)


def _legend(axes: Axes) -> None:
    axes.grid(alpha=0.3)
    if axes.get_legend_handles_labels()[1]:
        axes.legend(
            loc="upper left", bbox_to_anchor=(1.06, 1.0), fontsize=8, frameon=False
        )


def _save(figure: Figure, stem: Path) -> list[Path]:
    stem.parent.mkdir(parents=True, exist_ok=True)
    paths = [stem.with_name(f"{stem.name}.{kind}") for kind in _KINDS]
    for path in paths:
        # no date in the file: the same numbers give the same picture
        facts = {"Date": None} if path.suffix == ".svg" else {"Software": None}
        figure.savefig(path, dpi=130, metadata=facts)
    return paths
