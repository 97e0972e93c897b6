"""How sure a gauge study is: intervals for the gauge's deviation and shares.

Generalised pivotal quantities (Weerahandi 1993; for gauge studies Burdick, Borror and
Montgomery, Design and Analysis of Gauge R&R Studies, 2005; both from memory): each sum of
squares over a chi-squared draw is a possible mean square behind it, and the shares
follow from these as from the observed ones. Coverage is simulated, see
``tests/benchmarks/test_lot_numbers.py``.

The stations are those of the fixture and not a sample of others, so their effects are
fixed. Two stations as a random sample would say next to nothing of stations at large
(one degree of freedom).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from harness.lazy import np

_DRAWS = 20_000
"""The ends move by less than a hundredth of their distance from draw to draw."""

_SEED = 20_260_301


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossedSums:
    """What a crossed study leaves for its intervals; unit squared but for the means.

    Attributes:
        parts: how many.
        stations: how many.
        repeats: readings of each part on each station.
        part: sum of squares between parts.
        interaction: of part by station.
        repeat: of repeats.
        station_means: of each station, from the grand mean.
    """

    parts: int
    stations: int
    repeats: int
    part: float
    interaction: float
    repeat: float
    station_means: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeInterval:
    """Ends, each one-sided at the stated confidence.

    Attributes:
        low: gauge deviation at least, in the unit of the readings.
        high: gauge deviation at most.
        of_total_low: gauge over total at least.
        of_total_high: gauge over total at most.
        classes_low: number of distinct categories at least; infinite without scatter.
        confidence: of each end.
    """

    low: float
    high: float
    of_total_low: float
    of_total_high: float
    classes_low: float
    confidence: float


def gauge_interval(sums: CrossedSums, *, confidence: float = 0.95) -> GaugeInterval:
    """Intervals of a study with random parts and fixed stations.

    The interaction is kept apart even where the estimate pools it: with it pooled, the
    upper end held in 92 % of simulated small studies instead of 95 %.
    """
    chance = np.random.default_rng(_SEED)
    parts, stations, repeats = sums.parts, sums.stations, sums.repeats
    noise = sums.repeat / chance.chisquare(parts * stations * (repeats - 1), _DRAWS)
    crossed = sums.interaction / chance.chisquare((parts - 1) * (stations - 1), _DRAWS)
    between = sums.part / chance.chisquare(parts - 1, _DRAWS)
    # a station's mean is known within sqrt(crossed / (parts repeats)); drawn means
    # scatter by that twice, once from the study and once from the draw
    doubt = crossed / (parts * repeats)
    means = np.asarray(sums.station_means) - np.sqrt(doubt)[:, None] * (
        chance.standard_normal((_DRAWS, stations))
    )
    apart = means.var(axis=1, ddof=1) - 2 * doubt
    mixed = (crossed - noise) / repeats
    spread = np.maximum(0.0, (between - crossed) / (stations * repeats))
    # negative variances are none, which pulls a draw up: right for the upper end, too
    # much for the lower one
    gauge = noise + np.maximum(0.0, mixed) + np.maximum(0.0, apart)
    smaller = np.maximum(0.0, noise + mixed + apart)
    with np.errstate(divide="ignore", invalid="ignore"):
        highest = np.nan_to_num(gauge / (gauge + spread), nan=0.0)
        lowest = np.nan_to_num(smaller / (smaller + spread), nan=0.0)
        classes = 1.41 * np.sqrt(np.where(gauge > 0, spread / gauge, math.inf))
    return GaugeInterval(
        low=math.sqrt(np.quantile(smaller, 1 - confidence)),
        high=math.sqrt(np.quantile(gauge, confidence)),
        of_total_low=math.sqrt(np.quantile(lowest, 1 - confidence)),
        of_total_high=math.sqrt(np.quantile(highest, confidence)),
        classes_low=float(np.quantile(classes, 1 - confidence, method="lower")),
        confidence=confidence,
    )
