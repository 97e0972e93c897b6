"""How many signals of a control chart chance alone gives, and whether there are more.

Run rules signal now and then though nothing changes: with the four rules of Western
Electric every 92 points (Champ and Woodall 1987, from memory), much oftener where the
limits come from a few points, where readings are rounded, or where neighbours are
alike. So many signals are no sign of a change. What chance gives is counted here on
simulated charts of a process that does not change: as many points, normal, rounded to
the same step, correlated from point to point like these (AR(1)), through the same
limits and rules. The Monte Carlo p-value (1 + charts with as many signals) / (1 +
charts) is exact for a known correlation (Dwass 1957, from memory); simulation ends
early where the answer is clear (Besag and Clifford 1991, from memory).

The correlation comes from differences, 1 + 2 r(1) of them (Phillips and Han, Econometric
Theory 24 (2008), from memory: asymptotically normal with variance 2 (1 + phi) / n up to
phi = 1). A step, an outlier or a slow drift hardly moves it, so a real change does not
explain itself away as correlation.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

from harness.errors import UsageError
from harness.lazy import np, signal, special
from harness.quality.capability import D2_OF_TWO
from harness.quality.charts.limits import RuleSet
from harness.quality.moments import checked

if TYPE_CHECKING:
    from numpy.typing import NDArray

ALPHA = 0.01
"""Chance of "more than chance" where nothing changed."""

Rows: TypeAlias = "NDArray[np.float64]"
"""Charts one below the other: shape (charts, points)."""

Distances = Callable[[Rows], Rows]
"""From values, shape (charts, values), to signed distances of the judged points from
their centre line, in sigmas of the chart, shape (charts, points); limits included."""

_SEED = 20_260_301
_FIRST, _LATER = 200, 1000
"""Charts simulated before the first look, and between two looks."""

_MOST_NUMBERS = 2_000_000
"""Simulated values held at a time (16 MB a copy)."""

_LONGEST = 20_000
"""Points of a simulated chart at most. On a longer one the share of signals scatters less,
so that of the shorter charts is the wider bound; see ``_longer``."""

_SHIFT = 8
"""Points of a mean: as long as the longest run that the rules of Western Electric know."""

_CLEAR = 20
"""Charts with as many signals that settle the answer (Besag and Clifford's h)."""

_PER_ALPHA = 5
"""Charts at most, times 1/alpha: the smallest p is a fifth of alpha."""

_HIGHEST = 0.995
"""Correlation of neighbours at most: above it a chart of any length is one long run."""

_REACHES = (1, 2, 4, 8, 16)
"""Distances, points, over which correlation may be looked at."""

_DOUBT = 1.28
"""Standard errors by which the estimated correlation is raised, its one-sided 90 %
bound: an estimate that is too low by chance would make too many signals look like a
change (``tests/benchmarks/test_soak_numbers.py`` prints the false alarms)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalJudgement:
    """Signals of one chart against what chance gives.

    Attributes:
        points: points judged.
        signals: points at which a rule is broken.
        expected: of these by chance alone, mean over the simulated charts.
        at_most: points with signals that chance stays within, at 1 - alpha.
        farthest: largest distance from the centre line, sigmas.
        farthest_by_chance: what chance stays within, at 1 - alpha.
        p: chance of so many signals, or of a point so far away, without any change.
        alpha: p at which it is more than chance.
        correlation: of neighbours, as simulated.
        charts: how many were simulated.
    """

    points: int
    signals: int
    expected: float
    at_most: int
    farthest: float
    farthest_by_chance: float
    p: float
    alpha: float
    correlation: float
    charts: int

    @property
    def is_more_than_chance(self) -> bool:
        """True if the process changed, as far as this chart can tell."""
        return self.p <= self.alpha

    @property
    def text(self) -> str:
        """In words, without a verdict: ``7 of 455 points signal, chance gives 6.2``."""
        return (
            f"{self.signals} of {self.points} points signal; chance alone gives about "
            f"{self.expected:.2g} here and at most {self.at_most} (p {self.p:.2g})"
        )


def judge_signals(
    values: Sequence[float],
    distances: Distances,
    *,
    rules: RuleSet = RuleSet.WESTERN_ELECTRIC,
    step: float = 0.0,
    sigma: float | None = None,
    centre: float | None = None,
    alpha: float = ALPHA,
    shifts: bool = False,
) -> SignalJudgement:
    """Are there more signals, or a point farther out, than chance alone gives?

    Args:
        values: in the order of time, limits' baseline included.
        distances: how the chart works, applied to these values and to simulated ones;
            ``individuals_distances`` for single values.
        rules: which run rules count.
        step: of rounding, in the unit of the values; 0 for none.
        sigma: standard deviation of a value without change; from the differences of
            neighbours unless given. Needed with limits fixed beforehand.
        centre: mean without change; that of the values unless given. Likewise.
        alpha: p at which it is more than chance.
        shifts: look at the means of eight points in a row, too: a lasting shift shows
            there though its signals are no more than chance gives.

    Raises:
        UsageError: fewer than three values, or they do not differ.
    """
    numbers = np.asarray(checked(values, what="the chart", fewest=3), dtype=float)
    phi = highest_correlation(numbers, step=step)
    if sigma is None:
        sigma = _sigma_of(numbers, phi, step)
    shown = distances(numbers[np.newaxis, :])
    seen = _looks(shown, rules, shifts=shifts)[0]
    length = min(len(numbers), _LONGEST)
    null = _Null(
        length=length,
        phi=phi,
        sigma=sigma,
        centre=float(np.mean(numbers)) if centre is None else centre,
        step=step,
    )
    longer = _longer(len(numbers), length)[: len(seen)]

    def looks(rows: Rows) -> Rows:
        return longer * _looks(distances(rows), rules, shifts=shifts)

    found = _simulated(null, looks, seen, alpha)
    charts = len(found)
    tails = np.sum(found >= seen - 1e-12, axis=0)
    # several looks, so so many times the smallest chance (Bonferroni)
    p = min(1.0, len(seen) * (1 + float(min(tails))) / (1 + charts))
    return SignalJudgement(
        points=shown.shape[1],
        signals=int(seen[0]),
        expected=float(np.mean(found[:, 0])),
        at_most=math.floor(np.quantile(found[:, 0], 1 - alpha, method="higher")),
        farthest=float(seen[1]),
        farthest_by_chance=float(np.quantile(found[:, 1], 1 - alpha, method="higher")),
        p=p,
        alpha=alpha,
        correlation=phi,
        charts=charts,
    )


def highest_correlation(
    values: Sequence[float] | NDArray[np.float64], *, step: float = 0.0
) -> float:
    """Correlation of neighbours, raised by its doubt; 0 to ``_HIGHEST``.

    Differences over k points have the mean square 2 sigma^2 (1 - phi^k), so those over
    2 k points, divided by those over k, give 1 + phi^k. One point is taken for k unless
    the steps of rounding drown such small differences: then the smallest k over which
    the values have gone half of their way. Rounding adds step^2 / 6 to each.

    Raises:
        UsageError: the values do not differ.
    """
    numbers = np.asarray(values, dtype=float)
    rounding = step**2 / 6
    ways = [k for k in _REACHES if 4 * k <= len(numbers)] or [1]
    squares = {
        k: _mean_square(numbers[k:] - numbers[:-k], step)
        for k in {*ways, *(2 * k for k in ways)}
        if k < len(numbers)
    }
    if squares[1] == 0:
        raise UsageError(
            "the values never differ, so a chart has no limits",
            hint="use real, different readings",
        )
    reach = _reach(squares, ways) if step > 0 else 1
    near = max(squares[reach] - rounding, squares[reach] / 10)
    far = max(squares[min(2 * reach, max(squares))] - rounding, 0.0)
    found = min(max(far / near - 1, 0.0), 1.0)
    error = math.sqrt(2 * (1 + found) * reach / len(numbers))
    raised = min(1.0, found + _DOUBT * error)
    return min(math.exp(math.log(raised) / reach) if raised else 0.0, _HIGHEST)


def _reach(squares: Mapping[int, float], ways: Sequence[int]) -> int:
    """The smallest distance over which the values have gone half of their way."""
    half = max(squares.values()) / 2
    return next((k for k in ways if squares[k] >= half), ways[-1])


def _mean_square(differences: NDArray[np.float64], step: float) -> float:
    """Mean square of differences, without those that no steady process has.

    A step of thirty sigma is a single difference, but its square would outweigh all
    others and pass for correlation. Left out is what lies beyond six deviations (of the
    median, 1.4826 times the median distance): one normal difference in 500 million.
    """
    away = np.abs(differences)
    reach = 6 * max(1.4826 * float(np.median(away)), step)
    kept = away[away <= reach] if reach > 0 else away
    return float(np.mean(kept**2))


def _sigma_of(numbers: NDArray[np.float64], phi: float, step: float) -> float:
    """Standard deviation of one value: its differences have 2 sigma^2 (1 - phi)."""
    square = _mean_square(np.diff(numbers), step)
    return math.sqrt(max(square - step**2 / 6, square / 10) / (2 * (1 - phi)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Null:
    """A process that does not change."""

    length: int
    phi: float
    sigma: float
    centre: float
    step: float

    def rows(self, chance: np.random.Generator, count: int) -> Rows:
        noise = chance.standard_normal((count, self.length))
        noise[:, 1:] *= math.sqrt(1 - self.phi**2)
        rows = signal.lfilter([1.0], [1.0, -self.phi], noise, axis=1)
        values = self.centre + self.sigma * np.asarray(rows, dtype=float)
        if self.step > 0:
            values = np.round(values / self.step) * self.step
        return values


def _longer(length: int, simulated: int) -> NDArray[np.float64]:
    """What makes the looks at a long chart of those at a shorter, simulated one.

    So many times as many signals; the farthest point, or mean of points, lies as much
    farther as the quantile that one of so many normal values passes on average,
    1 - 1 / (2 n), lies over that of fewer.
    """
    if length == simulated:
        return np.ones(3)
    far, near = (-float(special.ndtri(0.5 / n)) for n in (length, simulated))
    return np.array([length / simulated, far / near, far / near])


def _simulated(
    null: _Null, looks: Distances, seen: NDArray[np.float64], alpha: float
) -> NDArray[np.float64]:
    """Looks at simulated charts, shape (charts, looks); ``seen`` are the real ones."""
    chance = np.random.default_rng(_SEED)
    most = math.ceil(len(seen) * _PER_ALPHA / alpha)
    found = np.zeros((0, len(seen)))
    room = max(1, _MOST_NUMBERS // null.length)
    while len(found) < most:
        rows = null.rows(chance, min(room, _LATER if len(found) else _FIRST))
        found = np.concatenate([found, looks(rows)])
        if np.min(np.sum(found >= seen, axis=0)) >= _CLEAR:
            break
    return found


def individuals_distances(
    *, baseline: int, least_sigma: float = 0.0, judge_baseline: bool = False
) -> Distances:
    """The chart of single values: limits from the moving ranges of the first points.

    Args:
        baseline: how many points the limits come from; then they are frozen.
        least_sigma: sigma at least, for readings that are rounded.
        judge_baseline: False if only the points after the baseline are judged.
    """

    def distances(rows: Rows) -> Rows:
        first = rows[:, :baseline]
        centre = first.mean(axis=1, keepdims=True)
        ranges = np.abs(np.diff(first, axis=1)).mean(axis=1, keepdims=True)
        sigma = np.maximum(ranges / D2_OF_TWO, least_sigma)
        # a simulated baseline that never differs has no limits: no room at all
        sigma = np.maximum(sigma, np.finfo(float).tiny)
        judged = rows if judge_baseline else rows[:, baseline:]
        return np.asarray((judged - centre) / sigma, dtype=float)

    return distances


def _looks(away: Rows, rules: RuleSet, *, shifts: bool) -> Rows:
    """Points with signals, farthest point, and farthest mean of eight, of each chart."""
    looks = [
        np.sum(broken(away, rules), axis=1).astype(float),
        np.max(np.abs(away), axis=1, initial=0.0),
    ]
    if shifts:
        window = min(_SHIFT, max(1, away.shape[1]))
        sums = np.cumsum(away, axis=1)
        sums[:, window:] -= sums[:, :-window].copy()
        means = np.abs(sums[:, window - 1 :]) / window
        looks.append(np.max(means, axis=1, initial=0.0))
    return np.stack(looks, axis=1)


def broken(away: Rows, rules: RuleSet) -> NDArray[np.bool_]:
    """At which points a rule is broken; the same rules as ``charts.signals``.

    Args:
        away: signed distances from the centre, sigmas, shape (charts, points).
        rules: which rules.
    """
    found = _some_beyond(away, 1, 1, 3.0)
    if rules is RuleSet.BEYOND_LIMITS:
        return found
    found |= _some_beyond(away, 2, 3, 2.0) | _some_beyond(away, 4, 5, 1.0)
    if rules is RuleSet.WESTERN_ELECTRIC:
        return found | _some_beyond(away, 8, 8, 0.0)
    found |= _some_beyond(away, 9, 9, 0.0)
    steps = np.diff(away, axis=1)
    turns = steps[:, 1:] * steps[:, :-1] < 0
    near = np.abs(away)
    for held, length in (
        (steps > 0, 5),
        (steps < 0, 5),
        (turns, 12),
        (near < 1, 15),
        (near > 1, 8),
    ):
        lead = away.shape[1] - held.shape[1]
        whole = _last(held, length) == length
        found[:, lead:] |= whole
    return found


def _last(held: NDArray[np.bool_], window: int) -> NDArray[np.int64]:
    """How many of the last ``window`` points hold, at each point."""
    sums = np.cumsum(held, axis=1, dtype=np.int64)
    sums[:, window:] -= sums[:, :-window].copy()
    return sums


def _some_beyond(
    away: Rows, count: int, window: int, sigmas: float
) -> NDArray[np.bool_]:
    found = np.zeros(away.shape, dtype=bool)
    for side in (1, -1):
        beyond = side * away > sigmas
        found |= beyond & (_last(beyond, window) >= count)
    return found
