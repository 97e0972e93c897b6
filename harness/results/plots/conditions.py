"""Each quantity of devices and bus over each setting that a vary step went through.

One picture a step and quantity, with a panel for each setting: a line joins the values of
one device while everything else stays as it is. Devices outside of the limits are drawn
apart and named.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from harness.records import DeviceRef, Measurement
from harness.results.plots.palette import BLUE, VERMILION, new_figure
from harness.results.record.run import RunRecord
from harness.results.wording import one_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Settings = tuple[tuple[str, float], ...]

_MOST_PICTURES = 12
_MOST_NAMED = 6


@dataclass(frozen=True, slots=True)
class _Point:
    device: DeviceRef | None
    settings: Settings
    value: Measurement


@dataclass(slots=True)
class _Curves:
    """One quantity of one step, under all conditions."""

    name: str
    unit: str
    points: list[_Point] = field(default_factory=list)

    def axes(self) -> list[str]:
        """Settings that have more than one value, in the order of the plan."""
        values: dict[str, set[float]] = {}
        for point in self.points:
            for name, value in point.settings:
                values.setdefault(name, set()).add(value)
        return [name for name, each in values.items() if len(each) > 1]

    def lines(self, axis: str) -> dict[tuple[DeviceRef | None, Settings], list[_Point]]:
        """Points by device and by what else was set, in the order of the axis."""
        found: dict[tuple[DeviceRef | None, Settings], list[_Point]] = {}
        for point in self.points:
            rest = tuple(each for each in point.settings if each[0] != axis)
            found.setdefault((point.device, rest), []).append(point)
        for points in found.values():
            points.sort(key=lambda p: dict(p.settings)[axis])
        return found

    @property
    def outside(self) -> list[DeviceRef | None]:
        """Devices with a value outside of its limits."""
        return list(
            dict.fromkeys(
                p.device
                for p in self.points
                if p.value.margin is not None and p.value.margin < 0
            )
        )


def has_curves(record: RunRecord) -> bool:
    """True if there is something to draw."""
    return bool(_curves(record))


def condition_figures(record: RunRecord) -> Iterator[tuple[str, Figure]]:
    """Each picture with the name of its file."""
    for number, curves in enumerate(_curves(record), 1):
        yield f"conditions-{number}", _figure(curves)


def _curves(record: RunRecord) -> list[_Curves]:
    found: dict[tuple[str, str], _Curves] = {}
    for step, result in record.results:
        if not step.settings:
            continue
        title = step.title.removesuffix(f" at {step.condition}")
        for m in result.shown.measurements:
            if isinstance(m.value, str | bool) or m.bound is not None:
                continue
            curves = found.setdefault((title, m.name), _Curves(m.name, m.unit))
            curves.points.append(_Point(result.device, step.settings, m))
    drawn = [curves for curves in found.values() if curves.axes()]
    # what is judged first, if there is more than a page takes
    drawn.sort(key=lambda c: all(p.value.margin is None for p in c.points))
    return drawn[:_MOST_PICTURES]


def _figure(curves: _Curves) -> Figure:
    axes = curves.axes()
    figure = new_figure(10.0, 3.2)
    panels = figure.subplots(1, len(axes), sharey=True, squeeze=False)[0]
    for panel, axis in zip(panels, axes, strict=True):
        _draw(panel, curves, axis)
    unit = f", {curves.unit}" if curves.unit else ""
    panels[0].set_ylabel(one_line(f"{curves.name}{unit}"))
    if curves.outside:
        panels[-1].legend(fontsize=8, loc="best")
    return figure


def _draw(panel: Axes, curves: _Curves, axis: str) -> None:
    """Lines of the devices over one setting; those outside on top, in another shape."""
    outside = curves.outside
    named: set[DeviceRef | None] = set()
    for (device, _), points in curves.lines(axis).items():
        bad, label = device in outside, "_"
        if bad and device not in named and len(named) < _MOST_NAMED:
            named.add(device)
            label = one_line(f"outside: {_who(device)}")
        panel.plot(
            [dict(p.settings)[axis] for p in points],
            [float(p.value.value) for p in points],
            **(_OUTSIDE if bad else _INSIDE),
            label=label,
        )
    _draw_limits(panel, curves)
    panel.grid(alpha=0.3)
    panel.set_xlabel(one_line(axis))


def _who(device: DeviceRef | None) -> str:
    return (device.socket or device.rom_code) if device else "bus"


_INSIDE: dict[str, Any] = {
    "color": BLUE, "marker": "o", "ms": 3, "lw": 0.7, "alpha": 0.5, "zorder": 2,
}  # fmt: skip
_OUTSIDE: dict[str, Any] = {
    "color": VERMILION, "marker": "X", "ms": 6, "lw": 1.2, "alpha": 1.0, "zorder": 3,
}  # fmt: skip
"""Distinguished by their shape too, not by colour alone."""


def _draw_limits(panel: Axes, curves: _Curves) -> None:
    """The limits that all points share."""
    for side in ("low", "high"):
        limits = {getattr(p.value, side) for p in curves.points}
        if len(limits) == 1 and (limit := limits.pop()) is not None:
            panel.axhline(limit, color=VERMILION, ls="--", lw=1.4)
