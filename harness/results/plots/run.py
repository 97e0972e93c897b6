"""Pictures of a run: soaks, the slot window of every device, and shmoo grids.

From the run record alone, so that they can be drawn again after a crash. Pass and
fail differ in shape and shade, not in colour alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from harness.lazy import PICTURES, is_installed, missing
from harness.records import Bound
from harness.results.plots.conditions import condition_figures, has_curves
from harness.results.plots.palette import (
    BLUE,
    GREEN,
    GREY,
    ORANGE,
    VERMILION,
    new_figure,
    svg_text,
)
from harness.results.plots.recording import recording_figures
from harness.results.plots.soak import soak_figures
from harness.results.record.device_tally import DeviceResult
from harness.results.record.evidence import frames_of, shmoo_of
from harness.results.record.run import RunRecord
from harness.results.record.slot_evidence import ShmooGrid, TriedRow
from harness.results.timing import (
    BUS,
    TimingRow,
    not_measured,
    timing_rows,
    worst_first,
)
from harness.results.wording import one_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "BLUE",
    "GREEN",
    "GREY",
    "ORANGE",
    "VERMILION",
    "DrawnFigure",
    "caption_of",
    "draw",
    "drawn_figures",
    "figures",
    "left_out",
    "shmoo_lines",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnFigure:
    """A picture that is drawn once, for its files and for the page.

    Attributes:
        name: of its files, without suffix.
        svg: text of an SVG file.
    """

    name: str
    svg: str


def draw(record: RunRecord, folder: Path) -> list[DrawnFigure]:
    """Every picture that the record holds the numbers for, as PNG and SVG.

    Args:
        record: the run.
        folder: where to put them; made by the caller.

    Returns:
        The pictures, for the page; empty if there is nothing to draw, and then
        matplotlib is not even loaded.

    Raises:
        OSError: the folder does not take a file.
    """
    return [_saved(name, figure, folder) for name, figure in figures(record)]


def drawn_figures(record: RunRecord) -> list[DrawnFigure]:
    """The same pictures without any file."""
    return [
        DrawnFigure(name=name, svg=svg_text(figure)) for name, figure in figures(record)
    ]


def figures(record: RunRecord) -> Iterator[tuple[str, Figure]]:
    """Each picture with the name of its file; nothing is loaded if there is none.

    None without the part that draws: ``left_out`` says so then.
    """
    if not is_installed(PICTURES):
        return
    if record.recording is not None:
        yield from recording_figures(record.recording)
    for soak in record.soaks:
        yield from soak_figures(soak)
    rows = timing_rows(record)
    if any(row.device != BUS for row in rows):
        yield "survey", _survey_figure(record, rows)
    yield from condition_figures(record)
    for name, label, grid in _shmoos(record):
        yield f"shmoo-{name}", _shmoo_figure(label, grid)


def left_out(record: RunRecord) -> str:
    """What a reader should know of pictures that are not drawn; empty if there are none."""
    if is_installed(PICTURES):
        return ""
    has_rows = any(row.device != BUS for row in timing_rows(record))
    drawn = record.recording or record.soaks or has_rows or has_curves(record)
    if not (drawn or _shmoos(record)):
        return ""
    return f"no pictures: {missing(PICTURES).hint}, then slotproof report"


_CAPTIONS = {
    "strip": "The whole recording, with what was seen in it",
    "histograms": "How often each time came, against its limits",
    "worst-slots": "The line around the slots nearest to their limits",
    "survey": "Each measured time of the line and the devices against its limits",
    "conditions": "A quantity over each setting of a vary step; dashed: limits",
    "shmoo": "Which low times were read right: every tried point of a device",
    "soak-chart": "Control charts of the devices with most signals",
    "soak": "Readings over the whole time, with errors, events and gaps",
}
"""What each picture shows, by the beginning of its name."""


def caption_of(name: str) -> str:
    """What a picture shows, in words."""
    begins = [start for start in _CAPTIONS if name.startswith(start)]
    return _CAPTIONS[max(begins, key=len)] if begins else name


def _shmoos(record: RunRecord) -> list[tuple[str, str, ShmooGrid]]:
    """Each grid with a name for its file and the label of its device."""
    return [
        (
            f"{step.step}-{result.device.rom_code if result.device else BUS}",
            _label(result),
            grid,
        )
        for step in record.steps
        for result in step.results
        if (grid := shmoo_of(result.shown)) is not None
    ]


def _label(result: DeviceResult) -> str:
    return result.device.label if result.device else BUS


def _saved(name: str, figure: Figure, folder: Path) -> DrawnFigure:
    drawn = DrawnFigure(name=name, svg=svg_text(figure))
    (folder / f"{name}.svg").write_text(drawn.svg, encoding="utf-8", newline="\n")
    figure.savefig(folder / f"{name}.png", dpi=130, metadata={"Software": None})
    return drawn


# -- survey ----------------------------------------------------------------------


def _survey_figure(record: RunRecord, rows: list[TimingRow]) -> Figure:
    """Slot window of each device above, margins worst first below."""
    devices = list(dict.fromkeys(row.device for row in rows if row.device != BUS))
    judged = worst_first(rows)[:14]
    height = 4.2 + 0.34 * len(devices) + 0.3 * len(judged)
    figure = new_figure(10.5, height)
    upper, lower = figure.subplots(
        2, 1, height_ratios=[len(devices) + 6, len(judged) + 2]
    )
    _draw_windows(upper, record, rows, devices)
    _draw_margins(lower, judged)
    title = one_line(f"{record.fixture.title}: time limits measured with slots")
    lacking = not_measured(record)
    if lacking:
        title += f"\n{len(lacking)} of them not measured: see the report"
    figure.suptitle(title, fontsize=12)
    return figure


def _draw_windows(
    axes: Axes, record: RunRecord, rows: list[TimingRow], devices: list[str]
) -> None:
    """A timing diagram: the host's three slots, below them each device's own times."""
    _draw_host(axes, record)
    axes.axvspan(15, 60, color=BLUE, alpha=0.10, lw=0)
    axes.text(37, -3.65, "devices sample and release within 15 to 60 us", ha="center",
              va="center", fontsize=8, color=BLUE)  # fmt: skip
    for mark in _DEVICE_MARKS:
        _draw_mark(axes, mark, rows, devices)
    _name_rows(axes, devices)
    times_us = [r.number for r in rows if r.value.unit == "us" and r.device != BUS]
    axes.set_xlim(0, max(75.0, *times_us) + 2)
    axes.set_xlabel("time from the slot's falling edge, us")
    axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), fontsize=8, frameon=False)
    axes.grid(axis="x", alpha=0.3)


def _draw_mark(
    axes: Axes, mark: tuple[str, ...], rows: list[TimingRow], devices: list[str]
) -> None:
    """One quantity of every device: a marker with its uncertainty, or a bound."""
    name, marker, colour, label = mark
    bounds: list[TimingRow] = []
    found: list[TimingRow] = []
    for row in rows:
        if row.value.name == name:
            (bounds if row.value.bound else found).append(row)
    _draw_bounds(axes, bounds, devices, colour)
    axes.errorbar(
        [row.number for row in found],
        [devices.index(row.device) for row in found],
        xerr=[row.value.uncertainty or 0.0 for row in found],
        fmt=marker,
        color=colour,
        label=label,
        capsize=2,
        ms=7,
    )


def _name_rows(axes: Axes, devices: list[str]) -> None:
    """The host's rows above, then a row a device."""
    labels = [*_HOST_ROWS, *map(one_line, devices)]
    axes.set_yticks(range(-len(_HOST_ROWS), len(devices)), labels, fontsize=8)
    axes.set_ylim(len(devices) - 0.4, -len(_HOST_ROWS) - 0.9)


def _draw_bounds(
    axes: Axes, rows: list[TimingRow], devices: list[str], colour: str
) -> None:
    """A bar at the bound with an arrow to the side where the true value lies."""
    for row in rows:
        to_left = row.value.bound is Bound.AT_MOST
        at = devices.index(row.device)
        axes.plot([row.number], [at], "|", color=colour, ms=12)
        axes.annotate(
            "",
            xy=(row.number + (-4 if to_left else 4), at),
            xytext=(row.number, at),
            arrowprops={"arrowstyle": "->", "color": colour},
        )


_DEVICE_MARKS = (
    ("sample_instant", "o", ORANGE, "device samples a written slot"),
    ("read_0_hold", "s", GREEN, "device releases its 0"),
    ("longest_write_1", "|", GREY, "longest low still read as 1"),
)
"""What is drawn of each device: quantity, marker, colour, words of the legend."""

_HOST_ROWS = ("host writes 1", "host reads", "host writes 0")
"""Rows of the timing diagram above the devices."""


def _draw_host(axes: Axes, record: RunRecord) -> None:
    """The host's low of each slot as a bar, its sample as a line through all devices."""
    frames = frames_of(record.adapter)
    rows = (
        (frames.write_1_low_us, None),
        (frames.write_1_low_us, frames.read_sample_us),
        (frames.write_0_low_us, None),
    )
    for index, (low_us, sample_us) in enumerate(rows):
        row = index - len(_HOST_ROWS)
        if low_us is None:
            continue
        axes.broken_barh([(0, low_us)], (row - 0.25, 0.5), color="black", alpha=0.75)
        axes.text(
            low_us + 0.6, row, f"released at {low_us:.1f} us", va="center", fontsize=8
        )
        axes.axvline(low_us, color="black", lw=0.7, ls=":")
        if sample_us is not None:
            axes.axvline(
                sample_us,
                color="black",
                lw=1,
                ls="--",
                label=f"host samples, {sample_us:.1f} us",
            )
    axes.axhline(-0.5, color=GREY, lw=0.8)


_MOST_SHOWN = 100.0
"""Margins beyond this share are drawn no longer: nothing is near its limit there."""


def _draw_margins(axes: Axes, rows: list[TimingRow]) -> None:
    """Share of margin left, worst first; the bar's end is its uncertainty."""
    shares = [min(_MOST_SHOWN, 100 * row.share) for row in rows]
    colours = [
        VERMILION if not row.value.holds else (ORANGE if row.thin else BLUE)
        for row in rows
    ]
    axes.barh(range(len(rows)), shares, color=colours, height=0.6)
    for index, (row, share) in enumerate(zip(rows, shares, strict=True)):
        axes.text(
            max(share, 0) + 1.5,
            index,
            f"{row.margin_text} {row.value.unit} left"
            if row.value.holds
            else "VIOLATED",
            va="center",
            fontsize=8,
        )
    axes.set_yticks(
        range(len(rows)),
        [one_line(f"{row.device.split()[0]} {row.value.name}") for row in rows],
        fontsize=8,
    )
    axes.invert_yaxis()
    axes.set_xlim(min([0.0, *shares]) - 2, _MOST_SHOWN + 20)
    axes.set_xlabel(
        "margin left, % of the window's half width or of the limit (worst first)"
    )
    axes.axvline(0, color="black", lw=1)
    axes.grid(axis="x", alpha=0.3)


# -- shmoo -----------------------------------------------------------------------


def _shmoo_figure(label: str, grid: ShmooGrid) -> Figure:
    """Low time against the other axis: filled circles passed, crosses failed."""
    figure = new_figure(8.5, max(3.4, 1.6 + 0.3 * len(grid.rows)))
    axes = figure.subplots()
    made_cells = _draw_cells(axes, grid)
    for at_us in grid.must_hold_us:
        axes.axvline(at_us, color="black", ls="--", lw=1)
    axes.axvspan(*grid.must_hold_us, color=GREY, alpha=0.12, lw=0, label="must hold")
    for row in grid.rows:
        if row.not_judged and row.value is not None:
            axes.annotate("not judged", (1, row.value), xycoords=("axes fraction", "data"),
                          ha="right", va="bottom", fontsize=8)  # fmt: skip
    asked = sum(len(row.points) + len(row.not_made) for row in grid.rows)
    made = f"{made_cells} of {asked} cells made"
    axes.set_title(one_line(f"{grid.slot} slots of {label}: {made}"), fontsize=11)
    axes.set_xlabel("low time, us")
    unit = f", {grid.unit}" if grid.unit else ""
    axes.set_ylabel(one_line(f"{grid.label}{unit}"))
    axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), fontsize=8, frameon=False)
    axes.grid(alpha=0.3)
    return figure


def _draw_cells(axes: Axes, grid: ShmooGrid) -> int:
    """A mark for each cell; returns how many of them the adapter could make."""
    missing: list[tuple[float, float]] = []
    right: list[tuple[float, float]] = []
    wrong: list[tuple[float, float]] = []
    for row in grid.rows:
        if row.value is None:  # could not be set, so nothing was tried
            continue
        # at the low time asked for: the adapter makes none that is near enough
        missing += [(entry.asked_us, row.value) for entry in row.not_made]
        for point in row.points:
            (wrong if point.wrong else right).append((point.low_us, row.value))
    axes.scatter(*_columns(missing), marker="s", facecolors="none", edgecolors=GREY,
                 label="not made", s=30)  # fmt: skip
    for points, marker, colour, label in (
        (right, "o", BLUE, "every slot right"),
        (wrong, "x", VERMILION, "some slots wrong"),
    ):
        axes.scatter(*_columns(points), marker=marker, color=colour, label=label, s=42)
    return len(right) + len(wrong)


def _columns(points: list[tuple[float, float]]) -> tuple[list[float], list[float]]:
    return [x for x, _ in points], [y for _, y in points]


def shmoo_lines(result: DeviceResult) -> list[str]:
    """The grid of a result as text, one row a value of the axis; empty without one.

    ``#`` is passed, ``.`` failed, ``-`` asked for and not made, at the low time asked
    for.
    """
    grid = shmoo_of(result.shown)
    if grid is None:
        return []
    rows = [_row_marks(row) for row in grid.rows]
    lows = sorted({low for marks in rows for low in marks})
    lines = [
        one_line(
            f"{grid.slot} slots of {_label(result)}: low {lows[0]:g} to {lows[-1]:g} us to the "
            f"right, {grid.label} downwards; # every slot right, . some wrong, "
            "- not made"
        )
    ]
    for marks, row in zip(rows, grid.rows, strict=True):
        cells = "".join(marks.get(low, " ") for low in lows).rstrip()
        value = "not set" if row.value is None else f"{row.value:g}"
        shown = "  (not judged)" if row.not_judged else ""
        lines.append(f"{value:>12} {grid.unit:<5} {cells}{shown}")
    return lines


def _row_marks(row: TriedRow) -> dict[float, str]:
    """The sign of each low time of a row."""
    marks = {entry.asked_us: "-" for entry in row.not_made}
    return marks | {point.low_us: "." if point.wrong else "#" for point in row.points}
