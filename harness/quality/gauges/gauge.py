"""Is the fixture good enough to judge the lot? Gauge studies.

Crossed study by analysis of variance, after AIAG, Measurement Systems Analysis, 4th
ed. (through two published reproductions of its example). "Station" stands for what that
book calls appraiser: a station, socket or adapter. The verdict is on the ends of an
interval, never on an estimate alone, and on these stations: others were not studied.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from harness.errors import UsageError
from harness.lazy import np, special
from harness.quality.gauges.interval import CrossedSums, GaugeInterval, gauge_interval
from harness.quality.moments import checked, require_fraction, require_positive
from harness.quality.quantisation import resolution_of

POOL_ABOVE = 0.25
"""Interaction with a p above this counts as repeatability (AIAG, from memory)."""

_GOOD, _BAD = 0.10, 0.30
_FEWEST_CLASSES = 5
_CLASSES = 1.41
"""Categories for each part deviation over gauge deviation (AIAG)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeReading:
    """One reading of a study: which part, on which station, what came out."""

    part: str
    station: str
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AnovaRow:
    """One source of variation.

    Attributes:
        source: its name.
        degrees: degrees of freedom.
        squares: sum of squares, unit squared.
        mean_square: squares over degrees.
        f: against the denominator of the model; None for the last rows.
        p: of ``f``.
    """

    source: str
    degrees: int
    squares: float
    mean_square: float
    f: float | None = None
    p: float | None = None


class GaugeVerdict(StrEnum):
    """What the share of the gauge in the spread means (AIAG)."""

    GOOD = "good"
    CONDITIONAL = "conditionally acceptable"
    UNDECIDED = "not decided by this study"
    BAD = "not acceptable"


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeStudy:
    """Result of a crossed study; all deviations in the quantity's unit.

    Attributes:
        parts: how many parts.
        stations: how many stations.
        repeats: readings of each part on each station.
        rows: the table of variances before pooling.
        pooled: True if the interaction was counted as repeatability.
        repeatability: deviation of readings on one station (EV).
        reproducibility: deviation between stations, interaction included (AV).
        gauge: both together (GRR).
        part: deviation between parts (PV).
        total: gauge and parts together (TV).
        gauge_of_total: gauge over total.
        gauge_of_tolerance: six gauge deviations over the tolerance; None without.
        classes: number of distinct categories of these parts (ndc), rounded down; None
            if the gauge does not scatter at all.
        interval: ends of gauge, of its share in the total, and of the categories.
        share_low: of the share that is judged, lower end.
        share_high: upper end, no less than what the step of the readings takes.
        step: distance between neighbouring readings; 0 if none shows.
        step_share: what the step alone takes of what is judged by (a rectangular
            distribution, step / sqrt 12).
        verdict: from the share of the tolerance, without one of the total, and from the
            number of distinct categories.
        reasons: why it is no better, a sentence part each.
    """

    parts: int
    stations: int
    repeats: int
    rows: tuple[AnovaRow, ...]
    pooled: bool
    repeatability: float
    reproducibility: float
    gauge: float
    part: float
    total: float
    gauge_of_total: float
    gauge_of_tolerance: float | None
    classes: int | None
    interval: GaugeInterval
    share_low: float
    share_high: float
    step: float
    step_share: float
    verdict: GaugeVerdict
    reasons: tuple[str, ...]


def gauge_study(
    readings: Sequence[GaugeReading],
    *,
    tolerance: float | None = None,
    step: float | None = None,
    pool_above: float = POOL_ABOVE,
    confidence: float = 0.95,
) -> GaugeStudy:
    """Analysis of variance of a crossed study.

    Args:
        readings: every part on every station equally often, at least twice.
        tolerance: width between the limits, or None.
        step: of the readings, where it is known; None to see it from the readings, which
            cannot tell a step from parts whose repeats all agree.
        pool_above: interaction with a larger p counts as repeatability; 1 never pools.
        confidence: of each end of the intervals.

    Raises:
        UsageError: a part is missing on a station, or was read less often.
    """
    if tolerance is not None:
        require_positive(tolerance, what="the tolerance")
    require_fraction(confidence, what="the confidence")
    cube = _cube(readings)
    parts, stations, repeats = cube.shape
    rows = _anova(cube)
    part, station, interaction, repeat = rows[:4]
    pooled = interaction.p is not None and interaction.p > pool_above
    noise, between = repeat.mean_square, interaction.mean_square
    if pooled:
        squares = interaction.squares + repeat.squares
        noise = between = squares / (interaction.degrees + repeat.degrees)
    crossed = max(0.0, (between - noise) / repeats)
    apart = max(0.0, (station.mean_square - between) / (parts * repeats)) + crossed
    spread = max(0.0, (part.mean_square - between) / (stations * repeats))
    gauge = math.sqrt(noise + apart)
    total = math.sqrt(noise + apart + spread)
    if total == 0:
        raise UsageError("all readings are equal: there is nothing to study")
    of_tolerance = None if tolerance is None else 6 * gauge / tolerance
    classes = math.floor(_CLASSES * math.sqrt(spread) / gauge) if gauge else None
    interval = gauge_interval(_sums(cube, rows), confidence=confidence)
    if step is None:
        step = resolution_of([reading.value for reading in readings])
    # a step of d has a standard uncertainty of d / sqrt 12 (GUM): where repeats agree
    # because of it, the readings show less spread than the gauge has
    hidden = step / math.sqrt(12)
    low, high, step_share = _shares(interval, hidden, total, tolerance)
    least = interval.classes_low
    if hidden:
        least = min(least, _CLASSES * math.sqrt(spread) / hidden)
    judged = _Judged(
        low=low, high=max(high, step_share), step_share=step_share, least_classes=least
    )
    verdict, reasons = _verdict(judged)
    return GaugeStudy(
        parts=parts,
        stations=stations,
        repeats=repeats,
        rows=rows,
        pooled=pooled,
        repeatability=math.sqrt(noise),
        reproducibility=math.sqrt(apart),
        gauge=gauge,
        part=math.sqrt(spread),
        total=total,
        gauge_of_total=gauge / total,
        gauge_of_tolerance=of_tolerance,
        classes=classes,
        interval=interval,
        share_low=low,
        share_high=judged.high,
        step=step,
        step_share=step_share,
        verdict=verdict,
        reasons=reasons,
    )


def _shares(
    interval: GaugeInterval, hidden: float, total: float, tolerance: float | None
) -> tuple[float, float, float]:
    """Interval of what the verdict is about, and the same for the step alone."""
    if tolerance is None:
        return interval.of_total_low, interval.of_total_high, hidden / total
    whole = tolerance / 6
    return interval.low / whole, interval.high / whole, hidden / whole


def _sums(
    cube: np.ndarray[tuple[int, int, int]], rows: Sequence[AnovaRow]
) -> CrossedSums:
    parts, stations, repeats = cube.shape
    part, _, interaction, repeat = rows[:4]
    return CrossedSums(
        parts=parts,
        stations=stations,
        repeats=repeats,
        part=part.squares,
        interaction=interaction.squares,
        repeat=repeat.squares,
        station_means=tuple((cube - cube.mean()).mean(axis=(0, 2)).tolist()),
    )


def _cube(readings: Sequence[GaugeReading]) -> np.ndarray[tuple[int, int, int]]:
    """Readings by part, station and repeat."""
    checked([reading.value for reading in readings], what="the study")
    cells: dict[tuple[str, str], list[float]] = {}
    for reading in readings:
        cells.setdefault((reading.part, reading.station), []).append(reading.value)
    parts = list(dict.fromkeys(reading.part for reading in readings))
    stations = list(dict.fromkeys(reading.station for reading in readings))
    for name, found in (("device", parts), ("station", stations)):
        if len(found) < 2:
            raise UsageError(f"the study has only one {name}, at least two are needed")
    _require_crossed(cells, parts, stations)
    rows = [[cells[part, station] for station in stations] for part in parts]
    return np.asarray(rows, dtype=float)


def _require_crossed(
    cells: Mapping[tuple[str, str], Sequence[float]],
    parts: Sequence[str],
    stations: Sequence[str],
) -> None:
    repeats = max(map(len, cells.values()))
    for part, station in itertools.product(parts, stations):
        held = len(cells.get((part, station), ()))
        if held != repeats or held < 2:
            raise UsageError(
                f"device {part} was read {held} times on station {station}; every "
                "device must be read equally often, at least twice, on each station",
                hint="complete the study or leave that device out everywhere",
            )


def _anova(cube: np.ndarray[tuple[int, int, int]]) -> tuple[AnovaRow, ...]:
    """Two-way table with interaction: part, station, interaction, repeat, total."""
    parts, stations, repeats = cube.shape
    centred = cube - cube.mean()
    by_part = centred.mean(axis=(1, 2))
    by_station = centred.mean(axis=(0, 2))
    by_cell = centred.mean(axis=2)
    crossed = by_cell - by_part[:, None] - by_station[None, :]
    squares = {
        "device": stations * repeats * float((by_part**2).sum()),
        "station": parts * repeats * float((by_station**2).sum()),
        "device by station": repeats * float((crossed**2).sum()),
        "repeat": float(((centred - by_cell[:, :, None]) ** 2).sum()),
    }
    degrees = {
        "device": parts - 1,
        "station": stations - 1,
        "device by station": (parts - 1) * (stations - 1),
        "repeat": parts * stations * (repeats - 1),
    }
    against = {
        "device": "device by station",
        "station": "device by station",
        "device by station": "repeat",
    }
    mean_squares = {name: squares[name] / degrees[name] for name in squares}
    rows = []
    for name, other in [*against.items(), ("repeat", "")]:
        f = p = None
        if other and mean_squares[other] > 0:
            f = mean_squares[name] / mean_squares[other]
            p = float(special.fdtrc(degrees[name], degrees[other], f))
        rows.append(
            AnovaRow(
                source=name,
                degrees=degrees[name],
                squares=squares[name],
                mean_square=mean_squares[name],
                f=f,
                p=p,
            )
        )
    total, count = float((centred**2).sum()), cube.size - 1
    rows.append(
        AnovaRow(
            source="total", degrees=count, squares=total, mean_square=total / count
        )
    )
    return tuple(rows)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Judged:
    """What the verdict rests on: ends of the share, and of the categories."""

    low: float
    high: float
    step_share: float
    least_classes: float


def _verdict(judged: _Judged) -> tuple[GaugeVerdict, tuple[str, ...]]:
    """The worst class that is not ruled out, and what keeps it from being good."""
    if judged.low > _BAD:
        return GaugeVerdict.BAD, (f"at least {100 * judged.low:.1f} % is too much",)
    reasons = []
    if judged.step_share >= _GOOD:
        reasons.append(
            f"the step of the readings alone takes {100 * judged.step_share:.1f} %"
        )
    elif judged.high >= _GOOD:
        reasons.append(f"less than {100 * _GOOD:g} % is not shown")
    if judged.least_classes < _FEWEST_CLASSES:
        reasons.append(
            f"{_FEWEST_CLASSES} distinct categories of these devices are not shown (at "
            f"least {math.floor(judged.least_classes)})"
        )
    if judged.high > _BAD:
        return GaugeVerdict.UNDECIDED, (
            *reasons,
            f"more than {100 * _BAD:g} % is not ruled out",
        )
    return (GaugeVerdict.CONDITIONAL if reasons else GaugeVerdict.GOOD), tuple(reasons)
