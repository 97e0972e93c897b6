"""Pictures of a soak: readings and errors over its time, and control charts."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING

from harness.results.plots.palette import (
    BLUE,
    GREEN,
    GREY,
    ORANGE,
    VERMILION,
    new_figure,
)
from harness.results.soak.drift import Chart
from harness.results.soak.record import BUS, SoakRecord
from harness.results.soak.shared import courses
from harness.results.wording import one_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_COLOURS = (BLUE, ORANGE, GREEN, VERMILION)
_DASHES = ("-", "--", ":", "-.")
_MOST_LINES = 16
_MOST_ERRORS = 3000
_MOST_EVENTS = 200
_MOST_EVENT_NAMES = 8
_LONGEST_EVENT_NAME = 24
_MOST_CHARTS = 4


def soak_figures(soak: SoakRecord) -> Iterator[tuple[str, Figure]]:
    """Each picture of a soak with its name; none if nothing was read."""
    if any(device.trace.bins for device in soak.devices.values()):
        yield f"soak-{soak.step}", _soak_figure(soak)
    charts = [
        (soak.label_of(key), course.chart)
        for key, course in courses(soak).by_key.items()
        if course.chart is not None
    ]
    if charts:
        charts.sort(key=lambda row: (row[1].judged.p, -row[1].points_out))
        yield f"soak-chart-{soak.step}", _chart_figure(soak, charts[:_MOST_CHARTS])


def _h(soak: SoakRecord, at_s: float) -> float:
    return (at_s - soak.started_s) / 3600


def _soak_figure(soak: SoakRecord) -> Figure:
    """Readings above, errors of each device below, gaps and events through both."""
    keys = list(soak.devices)
    rows = [key for key in keys if key != BUS][:_MOST_LINES]
    marked = len(rows) + len(_events_by_name(soak))
    figure = new_figure(10.5, 5.2 + 0.25 * marked)
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=[8, 2 + marked / 2])
    _draw_readings(upper, soak, rows)
    _draw_errors(lower, soak, [*rows, BUS])
    for axes in (upper, lower):
        for gap in soak.gaps:
            axes.axvspan(
                _h(soak, gap.from_s), _h(soak, gap.to_s), color=GREY, alpha=0.3, lw=0
            )
        axes.grid(alpha=0.3)
    start = f"{soak.started_at:%Y-%m-%d %H:%M} UTC" if soak.started_at else "start"
    lower.set_xlabel(f"hours from {start}; grey: gaps")
    return figure


def _draw_readings(axes: Axes, soak: SoakRecord, rows: list[str]) -> None:
    for number, key in enumerate(rows):
        if soak.devices[key].trace.bins:
            _draw_device(axes, soak, key, number)
    for limit in (soak.head.low, soak.head.high):
        if limit is not None:
            axes.axhline(limit, color="black", ls="--", lw=1)
    quantity = soak.head.quantity or "reading"
    axes.set_ylabel(one_line(f"{quantity}, {soak.head.unit}"))
    axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), fontsize=8, frameon=False)


def _draw_device(axes: Axes, soak: SoakRecord, key: str, number: int) -> None:
    """Mean and span of each bin of one device's readings."""
    device = soak.devices[key]
    bins = device.trace.bins
    at_h = [_h(soak, b.at_s) for b in bins]
    colour = _COLOURS[number % len(_COLOURS)]
    dash = _DASHES[number // len(_COLOURS) % len(_DASHES)]
    axes.plot(at_h, [b.mean for b in bins], color=colour, ls=dash, lw=1.2,
              label=one_line((device.label or key).split()[0]))  # fmt: skip
    axes.fill_between(
        at_h,
        [b.lowest for b in bins],
        [b.highest for b in bins],
        color=colour,
        alpha=0.15,
        lw=0,
    )


def _draw_errors(axes: Axes, soak: SoakRecord, rows: list[str]) -> None:
    for blame, marker, colour, label in (
        ("bus", "x", VERMILION, "line or device"),
        ("adapter", "s", GREY, "adapter"),
        ("limit", "^", ORANGE, "out of limits"),
    ):
        marks = [m for m in soak.marks if m.blame == blame and m.key in rows]
        shown = marks[:_MOST_ERRORS]
        more = f" (first {len(shown)})" if len(shown) < len(marks) else ""
        axes.scatter(
            [_h(soak, m.at_s) for m in shown],
            [rows.index(m.key) for m in shown],
            marker=marker,
            color=colour,
            s=22,
            label=f"{label}{more}",
        )
    names = [_short_name(soak, key) for key in rows]
    _draw_events(axes, _events_by_name(soak), names)
    axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), fontsize=8, frameon=False)


def _draw_events(
    axes: Axes, events: list[tuple[str, list[float]]], names: list[str]
) -> None:
    """The events of the event file above the rows of errors, and the names of all rows."""
    for row, (_, at_h) in enumerate(events, start=1):
        axes.scatter(at_h, [-row] * len(at_h), marker="|", color="black")
    axes.set_yticks(
        [*range(-1, -1 - len(events), -1), *range(len(names))],
        [*(name for name, _ in events), *names],
        fontsize=8,
    )
    axes.set_ylim(len(names) - 0.5, -0.5 - len(events))


def _events_by_name(soak: SoakRecord) -> list[tuple[str, list[float]]]:
    """Hours of each event of the event file, the first names and the rest together."""
    found: dict[str, list[float]] = {}
    for event in soak.happened[:_MOST_EVENTS]:
        name = one_line(event.text)
        if name not in found and len(found) >= _MOST_EVENT_NAMES:
            name = "other events"
        found.setdefault(_shortened(name), []).append(_h(soak, event.from_s))
    return list(found.items())


def _shortened(name: str) -> str:
    if len(name) <= _LONGEST_EVENT_NAME:
        return name
    return f"{name[: _LONGEST_EVENT_NAME - 3]}..."


def _short_name(soak: SoakRecord, key: str) -> str:
    return BUS if key == BUS else one_line(soak.label_of(key).split()[0])


def _chart_figure(soak: SoakRecord, charts: list[tuple[str, Chart]]) -> Figure:
    figure = new_figure(10.5, 0.6 + 2.3 * len(charts))
    rows = figure.subplots(len(charts), 1, sharex=True, squeeze=False)
    for (label, found), axes in zip(charts, rows[:, 0], strict=True):
        _draw_chart(axes, soak, label, found)
    shared = len([d for d in soak.devices.values() if d.trace.bins]) > 2
    less = "; without the movement that all devices share" if shared else ""
    rows[-1, 0].set_xlabel(
        f"hours; limits from the first {charts[0][1].baseline} points (grey){less}"
    )
    return figure


def _draw_chart(axes: Axes, soak: SoakRecord, label: str, found: Chart) -> None:
    at_h = [_h(soak, point.at_s) for point in found.points]
    values = [point.mean for point in found.points]
    axes.plot(at_h, values, color=BLUE, lw=0.8, marker=".", ms=3)
    out = sorted({key for key, _ in found.out})
    axes.scatter(
        [at_h[key] for key in out],
        [values[key] for key in out],
        marker="D",
        s=16,
        color=VERMILION,
        zorder=3,
    )
    axes.axhline(found.limits.centre, color="black", lw=0.8)
    for limit in (found.limits.low, found.limits.high):
        axes.axhline(limit, color="black", ls="--", lw=0.8)
    axes.axvspan(at_h[0], at_h[found.baseline - 1], color=GREY, alpha=0.15, lw=0)
    title = textwrap.wrap(one_line(f"{label}: {_verdict(found)}; {found.rules}"), 110)
    axes.set_title("\n".join(title), fontsize=9, loc="left")
    axes.grid(alpha=0.3)


def _verdict(found: Chart) -> str:
    word = "out of control" if found.is_out_of_control else "in control"
    return f"{word}, {found.judged.text}"
