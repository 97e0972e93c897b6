"""Pictures of lots: histogram, probability plot, boxes, charts, OC curve, gauge study.

Plain numbers in, figures out by name; the same numbers give the same bytes. Colours are
those of the palette; lots differ in hatching and marker as well, signals in shape.
"""

from __future__ import annotations

import itertools
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil
from pathlib import Path
from typing import TYPE_CHECKING

from harness.lazy import cbook, np
from harness.quality.quantisation import step_of
from harness.results.plots.palette import BLUE, GREY, ORANGE, VERMILION, new_figure
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
_MOST_DRAWN, _MOST_FLIERS = 2000, 300
"""Points of a picture: more make a page of a hundred megabytes and show nothing more."""
_MOST_PARTS, _MOST_STATIONS = 60, 12


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
    legend(axes)
    return {"oc-curve": figure}


def golden_figures(
    values: Sequence[float],
    *,
    reference: float,
    scale: Scale,
    limits: str = "a tenth of the tolerance",
) -> Figures:
    """Readings of one golden unit in the order of time.

    Args:
        values: the readings.
        reference: its known value.
        scale: quantity; its limits lie a tenth of the tolerance from the reference, so
            far as bias and scatter together may reach.
        limits: what the limits of the scale are.
    """
    figure = new_figure(8.5, 4.0)
    axes = figure.subplots()
    indices = shown_indices(values)
    axes.plot(
        [index + 1 for index in indices], [values[index] for index in indices], color=BLUE,
        lw=0.9, marker="o", ms=3.5, label="reading",
    )  # fmt: skip
    axes.axhline(reference, color="black", lw=1.2, label="reference")
    axes.axhline(statistics.fmean(values), color=ORANGE, ls="--", lw=1.4, label="mean")
    for limit, label in (
        (scale.low, limits),
        (scale.high, "_same"),
    ):
        if limit is not None:
            axes.axhline(limit, color=VERMILION, lw=1.4, label=label)
    axes.set_xlabel("reading, in the order of time")
    axes.set_ylabel(scale.label)
    legend(axes)
    return {"readings": figure}


def gauge_figures(
    readings: Sequence[tuple[str, str, float]], *, scale: Scale
) -> Figures:
    """Every reading of a gauge study, part by part.

    Args:
        readings: part, station and value.
        scale: quantity and unit.
    """
    everyone = list(dict.fromkeys(part for part, _, _ in readings))
    every = max(1, -(-len(everyone) // _MOST_PARTS))
    parts = {part: index for index, part in enumerate(everyone[::every])}
    by_station: dict[str, list[tuple[int, float]]] = {}
    for part, station, value in readings:
        mine = by_station.setdefault(station, [])
        if part in parts:
            mine.append((parts[part], value))
    between = 0.3 / max(1, len(by_station) - 1)
    figure = new_figure(8.5, 4.4)
    axes = figure.subplots()
    for index, (station, mine) in enumerate(
        itertools.islice(by_station.items(), _MOST_STATIONS)
    ):
        aside = between * (index - (len(by_station) - 1) / 2)
        axes.plot(
            [part + aside for part, _ in mine],
            [value for _, value in mine],
            ls="",
            marker=_STATION_MARKERS[index % len(_STATION_MARKERS)],
            ms=5,
            mfc="none",
            color=_COLOURS[index % 2],
            label=one_line(station),
        )
    axes.set_xticks(range(len(parts)), [one_line(p) for p in parts], rotation=45)
    more = f" ({len(parts)} of {len(everyone)} shown)" if every > 1 else ""
    axes.set_xlabel(f"device{more}")
    axes.set_ylabel(scale.label)
    legend(axes)
    return {"parts": figure}


def _histogram(lots: Mapping[str, Sequence[float]], scale: Scale) -> Figure:
    figure = new_figure(8.5, 4.6)
    axes = figure.subplots()
    edges = histogram_edges([v for values in lots.values() for v in values])
    for index, (name, values) in enumerate(lots.items()):
        axes.hist(
            np.asarray(values),
            bins=edges,
            weights=np.full(len(values), 100 / len(values)),
            color=_COLOURS[index % 2],
            hatch=_HATCHES[index % 2],
            edgecolor="black",
            alpha=0.6,
            label=one_line(f"{name}, {len(values)} units"),
        )
    _draw_limits(axes, scale)
    axes.set_xlabel(scale.label)
    axes.set_ylabel("units, %")
    legend(axes)
    return figure


def histogram_edges(values: Sequence[float]) -> list[float]:
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
        quarters = np.quantile(values, (0.25, 0.75), method="weibull").tolist()
        width = 2 * (quarters[1] - quarters[0]) / len(values) ** (1 / 3)
        if width > 0:
            count = round((high - low) / width)
    return min(_MOST_BINS, max(_FEWEST_BINS, count))


def _probability(lots: Mapping[str, Sequence[float]], scale: Scale) -> Figure:
    """Sorted values against what a normal lot would give; a straight line is normal."""
    figure = new_figure(8.0, 5.0)
    axes = figure.subplots()
    normal = statistics.NormalDist()
    for index, (name, values) in enumerate(lots.items()):
        count, colour = len(values), _COLOURS[index % 2]
        indices = _probability_indices(count)
        # plotting positions after Blom
        scores = [normal.inv_cdf((n + 0.625) / (count + 0.25)) for n in indices]
        ranked = np.sort(values)[indices]
        axes.plot(
            ranked, scores, ls="", marker=_MARKERS[index % 2], ms=4,
            color=colour, label=one_line(name),
        )  # fmt: skip
        mean, deviation = np.mean(values), np.std(values, ddof=1)
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
    legend(axes)
    return figure


def _boxes(lots: Mapping[str, Sequence[float]], scale: Scale) -> Figure:
    figure = new_figure(8.5, 1.8 + 0.8 * len(lots))
    axes = figure.subplots()
    measured = [
        {**numbers, "label": one_line(name), "fliers": _thinned(numbers["fliers"])}
        for name, values in lots.items()
        for numbers in cbook.boxplot_stats(np.asarray(values))
    ]
    boxes = axes.bxp(
        measured,
        orientation="horizontal",
        widths=0.55,
        patch_artist=True,
        flierprops={"marker": "x", "markeredgecolor": VERMILION},
        medianprops={"color": "black"},
    )
    for index, box in enumerate(boxes["boxes"]):
        box.set(facecolor=_COLOURS[index % 2], alpha=0.6, hatch=_HATCHES[index % 2])
    _draw_limits(axes, scale)
    axes.invert_yaxis()
    axes.set_xlabel(scale.label)
    legend(axes)
    return figure


def shown_indices(values: Sequence[float]) -> list[int]:
    """Places to draw of a series: all of a short one, of a long one the ends of each part.

    Minimum and maximum of each part are kept, so a single reading far out stays visible.
    """
    if len(values) <= _MOST_DRAWN:
        return list(range(len(values)))
    numbers = np.asarray(values)
    edges = np.linspace(0, len(values), _MOST_DRAWN // 2 + 1).astype(int)
    kept = {0, len(values) - 1}
    for start, end in itertools.pairwise(edges.tolist()):
        part = numbers[start:end]
        kept |= {start + int(part.argmin()), start + int(part.argmax())}
    return sorted(kept)


def _probability_indices(count: int) -> list[int]:
    """Ranks to draw, from 0: both tails whole, the middle in even steps."""
    if count <= _MOST_DRAWN:
        return list(range(count))
    tail = _MOST_DRAWN // 4
    middle = np.linspace(tail, count - tail - 1, 2 * tail).astype(int).tolist()
    return [*range(tail), *middle, *range(count - tail, count)]


def _thinned(values: np.ndarray) -> np.ndarray:
    """At most some hundred of them, the ends among them."""
    ordered = np.sort(values)
    if len(ordered) <= _MOST_FLIERS:
        return ordered
    indices = np.linspace(0, len(ordered) - 1, _MOST_FLIERS).astype(int)
    return np.asarray(ordered[indices])


def _draw_limits(axes: Axes, scale: Scale) -> None:
    seen: set[str] = set()
    for value, style, name in scale.lines:
        label = name if name not in seen else "_same"
        axes.axvline(value, color=VERMILION, ls=style, lw=1.4, label=label)
        seen.add(name)


def legend(axes: Axes) -> None:
    """Grid and legend beside the axes."""
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
