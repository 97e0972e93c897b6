"""Pictures of a recording: strip with transactions, histograms, worst slots.

Each is no wider than a phone shows without shrinking its letters, and prints as it is.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from typing import TYPE_CHECKING

from harness.digits import number_text
from harness.recordings.record.quantity import JudgedQuantity, LimitStanding
from harness.recordings.record.sentences import quantity_name
from harness.recordings.record.shown import ShownTransaction, SlotView
from harness.results.plots.palette import (
    BLUE,
    GREEN,
    GREY,
    ORANGE,
    VERMILION,
    new_figure,
)
from harness.results.recording.events import ShownRecording
from harness.safe_text import one_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WIDTH = 4.8
"""Inches: about as wide as a phone's page, so letters of 7 points stay as large."""

_MOST_NAMED = 48
"""Groups of transactions that are named beside the strip."""

_LONGEST_LABEL = 44

_HALF_LABEL = 0.22
"""Inches: half of a label of six figures in letters of 7 points, which stands below the
very end of a scale and must not be cut there."""

_COLOURS = {
    LimitStanding.OUTSIDE: VERMILION,
    LimitStanding.CANNOT_TELL: ORANGE,
    LimitStanding.SOME_DEVICES: BLUE,
    LimitStanding.WITHIN: BLUE,
    LimitStanding.NO_LIMIT: GREY,
}


def recording_figures(recording: ShownRecording) -> Iterator[tuple[str, Figure]]:
    """Each picture with the name of its file."""
    if recording.facts.activity:
        yield "strip", _strip(recording)
    timed = [q for q in recording.quantities if q.bins]
    if timed:
        yield "histograms", _histograms(timed)
    if recording.views:
        yield "worst-slots", _worst_slots(recording)


# -- strip ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Group:
    """Transactions of one label, one behind the other."""

    label: str
    at_s: float
    count: int
    wrong: bool


def _groups(found: Sequence[ShownTransaction]) -> list[_Group]:
    groups = []
    for label, members in groupby(found, key=_label):
        same = list(members)
        groups.append(
            _Group(
                label=label,
                at_s=same[0].at_s,
                count=len(same),
                wrong=any(one.wrong for one in same),
            )
        )
    return groups


def _spread(groups: list[_Group]) -> list[_Group]:
    """All of them, or the first one of each of equal stretches of time."""
    if len(groups) <= _MOST_NAMED:
        return groups
    first, last = groups[0].at_s, groups[-1].at_s
    stretch_s = (last - first) / _MOST_NAMED or 1.0
    chosen: dict[int, _Group] = {}
    for group in groups:
        chosen.setdefault(int((group.at_s - first) / stretch_s), group)
    return list(chosen.values())[:_MOST_NAMED]


def _label(found: ShownTransaction) -> str:
    rom = f" {found.rom}" if found.rom else ""
    return f"{found.label}{rom}"


def _strip(recording: ShownRecording) -> Figure:
    """Time runs down; where the line was busy, and what each transaction was."""
    facts = recording.facts
    groups = _groups(recording.transactions)
    named = _spread(groups)
    figure = new_figure(_WIDTH, max(2.6, 1.1 + 0.19 * len(named)))
    axes = figure.subplots()
    end_s = facts.start_s + max(facts.duration_s, facts.stretch_s)
    _draw_activity(axes, recording)
    _draw_names(axes, named, facts.start_s, end_s)
    axes.set_xlim(0, 10)
    axes.set_ylim(end_s, facts.start_s)
    axes.set_xticks([])
    axes.set_ylabel("time of the recording, s", fontsize=7)
    axes.tick_params(axis="y", labelsize=7)
    for side in ("top", "right", "bottom"):
        axes.spines[side].set_visible(False)
    title = one_line(f"{facts.recording}: {facts.transaction_count} transactions")
    more = len(groups) - len(named)
    if more > 0:
        title += f"\n{len(named)} of {len(groups)} named, spread over the time"
    axes.set_title(title, fontsize=8, loc="left")
    return figure


def _draw_activity(axes: Axes, recording: ShownRecording) -> None:
    facts = recording.facts
    most = max(facts.activity)
    busy = [
        (facts.active_from_s + n * facts.stretch_s, count)
        for n, count in enumerate(facts.activity)
        if count
    ]
    axes.barh(
        [at_s + facts.stretch_s / 2 for at_s, _ in busy],
        [0.3 + 0.7 * count / most for _, count in busy],
        height=facts.stretch_s,
        color=BLUE,
        lw=0,
    )
    for found in recording.transactions:
        if found.wrong:
            axes.plot([1.15], [found.at_s], "x", color=VERMILION, ms=4)


def _draw_names(axes: Axes, groups: list[_Group], start_s: float, end_s: float) -> None:
    """A name at the height of its time, moved down as far as the one above needs."""
    step = (end_s - start_s) / max(len(groups), 1)
    heights = _apart([group.at_s for group in groups], start_s, end_s, step)
    for group, height in zip(groups, heights, strict=True):
        axes.plot(
            [1.05, 1.3, 1.6], [group.at_s, group.at_s, height],
            color=GREY, lw=0.5, clip_on=False,
        )  # fmt: skip
        times = f" x {group.count}" if group.count > 1 else ""
        text = one_line(group.label)
        if len(text) > _LONGEST_LABEL:
            text = f"{text[: _LONGEST_LABEL - 3]}..."
        axes.text(
            1.7, height, f"{text}{times}", va="center", fontsize=7,
            color=VERMILION if group.wrong else "black",
        )  # fmt: skip


def _apart(
    wanted: Sequence[float], start: float, end: float, step: float
) -> list[float]:
    """Heights in order, ``step`` apart at least, near to where they are wanted."""
    heights: list[float] = []
    for height in wanted:
        heights.append(max(height, heights[-1] + step if heights else start + step / 2))
    latest = end - step / 2
    for at in range(len(heights) - 1, -1, -1):
        heights[at] = min(heights[at], latest)
        latest = heights[at] - step
    return heights


def _rows(count: int, *, each: float, left: float) -> tuple[Figure, list[Axes]]:
    """Axes one below the other, ``each`` inches high with their title and scale.

    Positioned by hand: a dozen of them take seconds to be laid out automatically.
    """
    title, scale, below = 0.2, 0.24, 0.2
    height = count * each + below
    figure = new_figure(_WIDTH, height, arranged=False)
    axes = [
        figure.add_axes(
            (
                left / _WIDTH,
                (height - (n + 1) * each + scale) / height,
                (_WIDTH - left - _HALF_LABEL) / _WIDTH,
                (each - title - scale) / height,
            )
        )
        for n in range(count)
    ]
    return figure, axes


# -- histograms ----------------------------------------------------------------------


def _histograms(quantities: Sequence[JudgedQuantity]) -> Figure:
    figure, rows = _rows(len(quantities), each=1.2, left=_HALF_LABEL)
    for axes, judged in zip(rows, quantities, strict=True):
        _histogram(axes, judged)
    return figure


def _histogram(axes: Axes, judged: JudgedQuantity) -> None:
    """Bars at the values, limits as lines with their uncertainty as a band beside them."""
    row, colour = judged.row, _COLOURS[judged.standing]
    values = [value for value, _ in judged.bins]
    limits = [x for x in (row.loosest_low, row.loosest_high) if x is not None]
    low, high = _range(judged, limits)
    width = max((high - low) / 120, _bin_width(values))
    axes.bar(
        values, [count for _, count in judged.bins], width=width, color=colour, lw=0
    )
    _draw_limits(axes, judged, low, high)
    axes.set_xlim(low, high)
    axes.set_yscale("symlog", linthresh=1)
    axes.set_ylim(0, 1.6 * max(count for _, count in judged.bins))
    axes.yaxis.set_visible(False)
    axes.tick_params(axis="x", labelsize=7)
    shown = number_text(judged.median)
    axes.set_title(
        one_line(
            f"{quantity_name(row)} ({row.side}), {row.unit}: n {judged.count}, median "
            f"{shown}, {judged.standing}"
        ),
        fontsize=7,
        loc="left",
        color=colour if judged.standing is not LimitStanding.NO_LIMIT else "black",
    )


def _draw_limits(axes: Axes, judged: JudgedQuantity, low: float, high: float) -> None:
    """Those within the picture: with their uncertainty; the guarded ones dashed."""
    row = judged.row
    limits = [x for x in (row.loosest_low, row.loosest_high) if x is not None]
    for limit in limits:
        if low <= limit <= high:
            axes.axvline(limit, color="black", lw=1)
            axes.axvspan(
                limit - judged.doubt, limit + judged.doubt, color=GREY, alpha=0.3, lw=0
            )
    for cautious in (row.low, row.high):
        if cautious is not None and cautious not in limits and low <= cautious <= high:
            axes.axvline(cautious, color="black", lw=0.8, ls="--")


def _bin_width(values: Sequence[float]) -> float:
    return min(
        (after - before for before, after in pairwise(values)),
        default=0.0,
    )


def _range(judged: JudgedQuantity, limits: Sequence[float]) -> tuple[float, float]:
    """All values, and each limit that lies no farther off than they spread or reach."""
    low, high = judged.minimum, judged.maximum
    reach = max(high - low, 0.5 * abs(high), judged.doubt)
    shown = [x for x in limits if low - reach <= x <= high + reach]
    low, high = min([low, *shown]), max([high, *shown])
    room = 0.06 * (high - low) + judged.doubt or 0.05 * abs(high) or 1.0
    return low - room, high + room


# -- the worst slots -----------------------------------------------------------------


def _worst_slots(recording: ShownRecording) -> Figure:
    """A timing diagram of the worst value of each quantity."""
    views = recording.views
    figure, rows = _rows(len(views), each=0.95, left=0.36)
    for axes, view in zip(rows, views, strict=True):
        _draw_view(axes, view)
    rows[-1].set_xlabel("us from the instant named", fontsize=7)
    return figure


def _draw_view(axes: Axes, view: SlotView) -> None:
    first, last = _window(view)
    times, levels = [first], [1]
    for start, end in view.lows:
        times += [
            max(start, first),
            max(start, first),
            max(end, first),
            max(end, first),
        ]
        levels += [1, 0, 0, 1]
    axes.plot([*times, last], [*levels, 1], color="black", lw=1)
    begin, end = 0.0, view.value
    axes.axvspan(begin, end, color=_COLOURS[view.standing], alpha=0.25, lw=0)
    axes.annotate(
        "", xy=(end, 0.5), xytext=(begin, 0.5),
        arrowprops={"arrowstyle": "<->", "color": _COLOURS[view.standing], "lw": 1},
    )  # fmt: skip
    axes.set_xlim(first, last)
    axes.set_ylim(-0.15, 1.25)
    axes.set_yticks([0, 1], ["low", "high"], fontsize=6)
    axes.tick_params(axis="x", labelsize=7)
    colour = _COLOURS[view.standing]
    axes.set_title(
        one_line(
            f"{view.quantity}: {number_text(view.value)} {view.unit} at {view.at_s:.6f} s"
            f", {view.standing}"
        ),
        fontsize=7,
        loc="left",
        color="black" if colour in (BLUE, GREEN) else colour,
    )


def _window(view: SlotView) -> tuple[float, float]:
    """The value with about as much of the line before and behind it."""
    reach = max(view.value, 1.0)
    starts = [start for start, _ in view.lows]
    ends = [end for _, end in view.lows]
    return (
        max(-1.2 * reach, min([*starts, 0.0]) - 0.1 * reach),
        min(2.6 * reach, max([*ends, view.value]) + 0.1 * reach),
    )
