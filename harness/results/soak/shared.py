"""What all devices of a soak share in their readings, and what each does by itself.

A night's temperature moves every reading. The devices themselves are the reference: the
others' mean is taken from each, and what is left is tested for drift. A device that
follows the shared movement more or less than the others, or later, does not drift, so
the movement and its rate stand beside the line in the fit. Devices that drift are left
out of the reference, the one with the smallest p first, while they are a minority.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeAlias
from weakref import WeakKeyDictionary

from harness.lazy import legendre, np, special, stats
from harness.quality.quantisation import step_of
from harness.quality.trend import FEWEST, trend
from harness.results.soak.drift import (
    ALPHA,
    Chart,
    Drift,
    TracePoint,
    chart_of,
    drift_of,
    tested_h,
)
from harness.results.soak.record import BUS, SoakRecord
from harness.results.soak.trace import Bin

if TYPE_CHECKING:
    from numpy.typing import NDArray

DRIFT_DEVICES = 3
"""With two it cannot be determined which of them moves."""

_WAVES = 8
_HOLE = 1.5
"""A device has no value where none lies within so many usual distances."""

Numbers: TypeAlias = "NDArray[np.float64]"


@dataclass(frozen=True, slots=True, kw_only=True)
class Shared:
    """The common movement of all devices.

    Attributes:
        span: from the lowest to the highest of the smoothed movement, readings' unit.
        lowest_s: when it was lowest, journal seconds.
        highest_s: when it was highest.
        p: chance of such a movement, did each device move by itself.
        line: its straight part, or None.
    """

    span: float
    lowest_s: float
    highest_s: float
    p: float
    line: Drift | None

    @property
    def is_sure(self) -> bool:
        """True if chance does not give such a movement."""
        return self.p <= ALPHA


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceCourse:
    """The movement of one device without the common one.

    Attributes:
        drift: straight line of it, or None with too few points.
        follows: True if it moves with the others, only more or less strongly or later:
            a drift is not to be distinguished from that.
        against: what it was compared with, in words.
        chart: control chart of it, or None.
        is_short: True with too few readings to tell.
        rounding: change that the steps of the readings alone may make.
        lines: of what is left of it without the others, and of the same beside the
            movement of the others; only what both show is no other way of following.
    """

    drift: Drift | None
    is_short: bool = False
    follows: bool = False
    against: str = ""
    chart: Chart | None = None
    rounding: float = 0.0
    lines: tuple[Drift | None, Drift | None] = (None, None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Courses:
    """The readings of a soak over time.

    Attributes:
        shared: what all share, or None with too few devices or readings.
        by_key: each device by its ROM code.
    """

    shared: Shared | None = None
    by_key: Mapping[str, DeviceCourse] = field(default_factory=dict)


_known: WeakKeyDictionary[SoakRecord, tuple[float, Courses]] = WeakKeyDictionary()


def courses(soak: SoakRecord) -> Courses:
    """What the readings of a soak do over time; worked out once for each state."""
    known = _known.get(soak)
    if known is None or known[0] != soak.now_s:
        known = (soak.now_s, _courses(soak))
        _known[soak] = known
    return known[1]


def courses_without_charts(soak: SoakRecord) -> Courses:
    """The same without control charts, whose chance signals take long to work out."""
    return _courses(soak, charted=False)


def _courses(soak: SoakRecord, *, charted: bool = True) -> Courses:
    bins = {
        key: device.trace.bins
        for key, device in soak.devices.items()
        if key != BUS and device.trace.bins
    }
    if not bins:
        return Courses()
    level = ALPHA / len(bins)
    table = _Table.of(bins, charted=charted)
    if len(bins) < DRIFT_DEVICES or len(table.hours) < FEWEST:
        return _by_themselves(table, level)
    reference = _reference(table, level)
    shared = _shared(table, reference)
    return Courses(
        shared=shared,
        by_key={
            key: _course(table, column, reference, shared, level)
            for column, key in enumerate(table.keys)
        },
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Table:
    """Readings of all devices at the same times.

    Attributes:
        keys: ROM codes, a column each.
        at_s: journal times, a row each.
        hours: of them, under test.
        parts: between which cuts.
        values: readings less the mean of their device; NaN where there is none.
        levels: the means.
        steps: of the readings of each device; 0 where they do not come in steps.
        charted: True if control charts are wanted.
    """

    keys: tuple[str, ...]
    at_s: Numbers
    hours: Numbers
    parts: NDArray[np.int64]
    values: Numbers
    levels: Numbers
    steps: tuple[float, ...]
    charted: bool = True

    @classmethod
    def of(cls, bins: Mapping[str, Sequence[Bin]], *, charted: bool = True) -> _Table:
        longest = max(bins.values(), key=len)
        at_s = np.array([b.at_s for b in longest])
        parts = np.array([b.part for b in longest], dtype=np.int64)
        usual_s = float(np.median(np.diff(at_s))) if len(at_s) > 1 else 1.0
        columns = [_at_times(row, at_s, _HOLE * usual_s) for row in bins.values()]
        values = np.column_stack(columns)
        levels = np.nanmean(values, axis=0)
        return cls(
            keys=tuple(bins),
            at_s=at_s,
            hours=np.array(tested_h(longest)),
            parts=parts,
            values=values - levels,
            levels=levels,
            steps=tuple(_step(row) for row in bins.values()),
            charted=charted,
        )

    def rounding(self, column: int) -> float:
        """Change against the others that rounding alone may make.

        A reading is off by up to half its step, either way, and so is each of the others:
        their difference lies in a band as wide as a step of each. Of all courses within
        a band the one that jumps across it in the middle has the steepest line by least
        squares, which changes by 1.5 times its width. One that never moves shows no step;
        the widest of all is taken for it.
        """
        widest = max(self.steps)
        return 1.5 * ((self.steps[column] or widest) + widest)

    def is_short(self, rest: Numbers) -> bool:
        """True if a column's rest has too few values to test."""
        return int(np.sum(np.isfinite(rest))) < FEWEST

    def line(
        self, rest: Numbers, beside: Sequence[Numbers] = (), *, level: float
    ) -> Drift | None:
        """The drift of one column's rest, where it has values."""
        held = np.isfinite(rest)
        if not held.any():
            return None
        found = trend(
            self.hours[held],
            rest[held],
            parts=self.parts[held],
            beside=[series[held] for series in beside],
        )
        hours = self.hours[held].tolist()
        return drift_of(found, hours, level=level)

    def chart(self, rest: Numbers, column: int, *, level: float) -> Chart | None:
        """The control chart of one column's rest, about the device's own mean."""
        if not self.charted:
            return None
        held = np.isfinite(rest)
        values = rest[held] + self.levels[column]
        points = [
            TracePoint(at_s=float(at_s), mean=float(value))
            for at_s, value in zip(self.at_s[held], values, strict=True)
        ]
        return chart_of(points, level=level)


def _step(bins: Sequence[Bin]) -> float:
    """The step of the readings of a device; 0 where none shows."""
    return step_of([value for b in bins for value in (b.lowest, b.highest)])


def _at_times(bins: Sequence[Bin], at_s: Numbers, hole_s: float) -> Numbers:
    """Readings of a device at these times, between its own on a straight line."""
    own_s = np.array([b.at_s for b in bins])
    found = np.interp(at_s, own_s, [b.mean for b in bins])
    after = np.clip(np.searchsorted(own_s, at_s), 0, len(own_s) - 1)
    before = np.clip(after - 1, 0, len(own_s) - 1)
    away = np.minimum(np.abs(own_s[after] - at_s), np.abs(own_s[before] - at_s))
    found[away > hole_s] = np.nan
    return np.asarray(found, dtype=float)


def _by_themselves(table: _Table, level: float) -> Courses:
    """One device, or two: nothing to take the surroundings from."""
    alone = len(table.keys) == 1
    words = "by itself or with its surroundings" if alone else "against the other"
    rests = [table.values[:, 0]]
    if not alone:
        apart = table.values[:, 0] - table.values[:, 1]
        rests = [apart, -apart]
    return Courses(
        by_key={
            key: DeviceCourse(
                drift=table.line(rests[column], level=level),
                is_short=table.is_short(rests[column]),
                against=words,
                chart=table.chart(table.values[:, column], column, level=level),
            )
            for column, key in enumerate(table.keys)
        }
    )


def _mean_of(table: _Table, columns: Sequence[int]) -> Numbers:
    chosen = table.values[:, list(columns)]
    counts = np.sum(np.isfinite(chosen), axis=1)
    sums = np.nansum(chosen, axis=1)
    return np.where(counts > 0, sums / np.maximum(counts, 1), np.nan)


def _middle_of(table: _Table, columns: Sequence[int]) -> Numbers:
    chosen = table.values[:, list(columns)]
    held = np.isfinite(chosen).any(axis=1)
    middle = np.full(len(chosen), np.nan)
    middle[held] = np.nanmedian(chosen[held], axis=1)
    return middle


def _reference(table: _Table, level: float) -> list[int]:
    """Columns that the others are compared with: those that do not drift."""
    kept = list(range(len(table.keys)))
    while len(kept) - 1 > len(table.keys) / 2:
        middle = _middle_of(table, kept)
        lines = {c: table.line(table.values[:, c] - middle, level=level) for c in kept}
        sure = {c: line.p for c, line in lines.items() if line and line.is_sure}
        if not sure:
            break
        # of equal p the one that changes most
        kept.remove(min(sure, key=lambda c: (sure[c], -_change(lines[c]))))
    return kept


def _change(line: Drift | None) -> float:
    return abs(line.change) if line else 0.0


def _course(
    table: _Table,
    column: int,
    reference: Sequence[int],
    shared: Shared | None,
    level: float,
) -> DeviceCourse:
    common = _mean_of(table, [other for other in reference if other != column])
    rest = table.values[:, column] - common
    found = table.line(rest, level=level)
    beside = _smoothed(table, common)
    besides = table.line(rest, beside, level=level)
    lines = (found, besides)
    follows = False
    if shared is not None and shared.is_sure:
        follows = found is not None and found.is_sure
        follows = follows and (besides is None or not besides.is_sure)
        found = found if follows else besides
        rest = _without(rest, beside)
    return DeviceCourse(
        drift=found,
        is_short=table.is_short(rest),
        follows=follows,
        against="unlike the others",
        rounding=table.rounding(column),
        lines=lines,
        chart=table.chart(rest, column, level=level),
    )


def _without(rest: Numbers, beside: Sequence[Numbers]) -> Numbers:
    """What is left of a column once these series are taken out."""
    held = np.isfinite(rest)
    columns = np.column_stack([np.ones_like(rest), *beside])
    fit = np.linalg.lstsq(columns[held], rest[held], rcond=None)[0]
    return np.asarray(rest - columns[:, 1:] @ fit[1:], dtype=float)


def _waves(table: _Table) -> tuple[Numbers, Numbers]:
    """Slow movements of each part, and their rates an hour: Legendre polynomials.

    Of a polynomial of eighth degree even a whole day's wave differs by less than 0.1 %.
    """
    columns, rates = [], []
    for part in np.unique(table.parts):
        held = table.parts == part
        hours = table.hours[held]
        span = max(float(hours[-1] - hours[0]), 1e-9)
        share = 2 * (hours - hours[0]) / span - 1
        for degree in range(min(_WAVES, len(hours) // 12) + 1):
            one = legendre.Legendre.basis(degree)
            column, rate = np.zeros(len(held)), np.zeros(len(held))
            column[held], rate[held] = one(share), one.deriv()(share) * 2 / span
            columns.append(column)
            rates.append(rate)
    return np.column_stack(columns), np.column_stack(rates)


def _smoothed(table: _Table, series: Numbers) -> tuple[Numbers, Numbers]:
    """A series without its noise, and its rate an hour."""
    waves, rates = _waves(table)
    held = np.isfinite(series)
    found = np.linalg.lstsq(waves[held], series[held], rcond=None)[0]
    return np.asarray(waves @ found), np.asarray(rates @ found)


def _shared(table: _Table, reference: Sequence[int]) -> Shared | None:
    """The movement of the reference, and whether it is more than each by itself.

    Analysis of variance wave by wave: of devices that move by themselves the mean of a
    coefficient, squared, times their number, over its variance between devices, is F(1,
    m - 1), whatever the serial correlation; the waves are combined by Fisher's method
    (both from memory).
    """
    chosen = table.values[:, list(reference)]
    held = np.isfinite(chosen).all(axis=1)
    count = len(reference)
    if count < 2 or np.sum(held) < FEWEST:
        return None
    waves = np.linalg.qr(_waves(table)[0][held])[0][:, 1:]
    found = waves.T @ chosen[held]
    between = count * found.mean(axis=1) ** 2
    within = found.var(axis=1, ddof=1)
    scale = 1e-12 * max(1.0, float(np.max(np.abs(chosen[held]))))
    ratio = between / np.maximum(within, scale**2)
    p = np.maximum(stats.f.sf(ratio, 1, count - 1), 1e-300)
    p[between <= scale**2] = 1.0
    statistic = float(-2 * np.sum(np.log(p)))
    smooth, _ = _smoothed(table, _mean_of(table, reference))
    lowest, highest = int(np.argmin(smooth)), int(np.argmax(smooth))
    return Shared(
        span=float(smooth[highest] - smooth[lowest]),
        lowest_s=float(table.at_s[lowest]),
        highest_s=float(table.at_s[highest]),
        p=float(special.chdtrc(2 * len(p), statistic)),
        line=table.line(_mean_of(table, reference), level=ALPHA),
    )
