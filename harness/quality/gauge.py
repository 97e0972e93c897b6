"""Is the fixture good enough to judge the lot? Gauge studies.

Crossed study by analysis of variance, after AIAG, Measurement Systems Analysis, 4th
ed. (through two published reproductions of its example); the study of one golden unit
with Cg and Cgk (from memory). "Station" stands for what that book calls appraiser:
a station, socket or adapter.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy import special

from harness.errors import UsageError
from harness.quality.moments import (
    Moments,
    checked,
    moments,
    require_fraction,
    require_positive,
)

POOL_ABOVE = 0.25
"""Interaction with a p above this counts as repeatability (AIAG, from memory)."""

_GOOD, _BAD = 0.10, 0.30
_FEWEST_CLASSES = 5


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
    CONDITIONAL = "usable where application and cost allow"
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
        classes: how many kinds of parts the gauge tells apart, rounded down; None if
            it does not scatter at all.
        verdict: from the share of the tolerance; without one from the share of the
            total and the number of classes.
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
    verdict: GaugeVerdict


def gauge_study(
    readings: Sequence[GaugeReading],
    *,
    tolerance: float | None = None,
    pool_above: float = POOL_ABOVE,
) -> GaugeStudy:
    """Analysis of variance of a crossed study.

    Args:
        readings: every part on every station equally often, at least twice.
        tolerance: width between the limits, or None.
        pool_above: interaction with a larger p counts as repeatability; 1 never pools.

    Raises:
        UsageError: a part is missing on a station, or was read less often.
    """
    if tolerance is not None:
        require_positive(tolerance, what="the tolerance")
    cube = _cube(readings)
    parts, stations, repeats = cube.shape
    rows = _anova(cube)
    part, station, interaction, repeat = rows[:4]
    pooled = interaction.p is not None and interaction.p > pool_above
    if pooled:
        noise = (interaction.squares + repeat.squares) / (
            interaction.degrees + repeat.degrees
        )
        between = noise
    else:
        noise, between = repeat.mean_square, interaction.mean_square
    crossed = max(0.0, (between - noise) / repeats)
    apart = max(0.0, (station.mean_square - between) / (parts * repeats)) + crossed
    spread = max(0.0, (part.mean_square - between) / (stations * repeats))
    gauge = math.sqrt(noise + apart)
    total = math.sqrt(noise + apart + spread)
    if total == 0:
        raise UsageError("all readings are equal: there is nothing to study")
    of_tolerance = None if tolerance is None else 6 * gauge / tolerance
    classes = math.floor(1.41 * math.sqrt(spread) / gauge) if gauge else None
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
        verdict=_verdict(gauge / total, of_tolerance, classes),
    )


def _cube(readings: Sequence[GaugeReading]) -> np.ndarray[tuple[int, int, int]]:
    """Readings by part, station and repeat."""
    checked([reading.value for reading in readings], what="the study")
    cells: dict[tuple[str, str], list[float]] = {}
    for reading in readings:
        cells.setdefault((reading.part, reading.station), []).append(reading.value)
    parts = list(dict.fromkeys(reading.part for reading in readings))
    stations = list(dict.fromkeys(reading.station for reading in readings))
    for name, found in (("part", parts), ("station", stations)):
        if len(found) < 2:
            raise UsageError(f"the study has only one {name}, at least two are needed")
    repeats = max(map(len, cells.values()))
    for part in parts:
        for station in stations:
            held = len(cells.get((part, station), ()))
            if held != repeats or held < 2:
                raise UsageError(
                    f"part {part} was read {held} times on station {station}; every "
                    "part must be read equally often, at least twice, on each station",
                    hint="complete the study or leave that part out everywhere",
                )
    rows = [[cells[part, station] for station in stations] for part in parts]
    return np.asarray(rows, dtype=float)


def _anova(cube: np.ndarray[tuple[int, int, int]]) -> tuple[AnovaRow, ...]:
    """Two-way table with interaction: part, station, interaction, repeat, total."""
    parts, stations, repeats = cube.shape
    centred = cube - cube.mean()
    by_part = centred.mean(axis=(1, 2))
    by_station = centred.mean(axis=(0, 2))
    by_cell = centred.mean(axis=2)
    crossed = by_cell - by_part[:, None] - by_station[None, :]
    squares = {
        "part": stations * repeats * float((by_part**2).sum()),
        "station": parts * repeats * float((by_station**2).sum()),
        "part by station": repeats * float((crossed**2).sum()),
        "repeat": float(((centred - by_cell[:, :, None]) ** 2).sum()),
    }
    degrees = {
        "part": parts - 1,
        "station": stations - 1,
        "part by station": (parts - 1) * (stations - 1),
        "repeat": parts * stations * (repeats - 1),
    }
    against = {
        "part": "part by station",
        "station": "part by station",
        "part by station": "repeat",
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


def _verdict(
    of_total: float, of_tolerance: float | None, classes: int | None
) -> GaugeVerdict:
    # with limits the question is whether the gauge can judge by them
    share = of_total if of_tolerance is None else of_tolerance
    if share > _BAD:
        return GaugeVerdict.BAD
    enough = classes is None or classes >= _FEWEST_CLASSES
    if share < _GOOD and (of_tolerance is not None or enough):
        return GaugeVerdict.GOOD
    return GaugeVerdict.CONDITIONAL


@dataclass(frozen=True, slots=True, kw_only=True)
class GoldenCheck:
    """Many readings of one unit whose value is known.

    Attributes:
        readings: count, mean and deviation.
        bias: mean minus reference.
        bias_low: lower end of its 95 % interval.
        bias_high: upper end.
        cg: a fifth of the tolerance over six deviations; None without spread.
        cgk: the same with the bias taken off; None without spread.
        holds: True if both reach the wanted index, or without spread if the bias is
            below a tenth of the tolerance.
        wanted: index to be reached.
    """

    readings: Moments
    bias: float
    bias_low: float
    bias_high: float
    cg: float | None
    cgk: float | None
    holds: bool
    wanted: float


def golden_check(
    values: Sequence[float],
    *,
    reference: float,
    tolerance: float,
    wanted: float = 1.33,
    confidence: float = 0.95,
) -> GoldenCheck:
    """Repeatability and bias on a golden unit (25 readings or more, usually 50).

    Args:
        values: readings of the one unit.
        reference: its known value.
        tolerance: width between the limits that the gauge has to judge.
        wanted: smallest Cg and Cgk (1.33 is customary, from memory).
        confidence: of the interval of the bias.

    Raises:
        UsageError: too few values or no tolerance.
    """
    require_positive(tolerance, what="the tolerance")
    require_fraction(confidence, what="the confidence")
    sample = moments(values, what="the golden unit")
    bias = sample.mean - reference
    t = float(special.stdtrit(sample.count - 1, (1 + confidence) / 2))
    reach = t * sample.deviation / math.sqrt(sample.count)
    cg = cgk = None
    holds = abs(bias) <= 0.1 * tolerance
    if sample.deviation > 0:
        cg = 0.2 * tolerance / (6 * sample.deviation)
        cgk = (0.1 * tolerance - abs(bias)) / (3 * sample.deviation)
        holds = min(cg, cgk) >= wanted
    return GoldenCheck(
        readings=sample,
        bias=bias,
        bias_low=bias - reach,
        bias_high=bias + reach,
        cg=cg,
        cgk=cgk,
        holds=holds,
        wanted=wanted,
    )
