"""False proofs at the margin, and the power that the methods keep.

Run with ``pytest -m benchmark tests/benchmarks/test_false_proofs.py -s``. With 1,000 lots
a cell, a rate of 5 % comes out as at most 6.4 % (two standard errors, 0.69 %). The sizes
and the random numbers are those of ``tests.benchmark_size``.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from functools import lru_cache

import numpy as np
import pytest
from scipy import special

from harness.quality.comparison import equivalence, variance_ratio
from harness.quality.moments import Moments
from harness.quality.proofs.capability import Method, prove_index
from harness.quality.proofs.comparison import prove_means, prove_spread
from harness.quality.proofs.history import History, history_of
from harness.quality.tolerance import factor_one_sided
from tests.benchmark_size import chance as chance_of
from tests.benchmark_size import say, wanted
from tests.lot_distributions import ALL, Source

pytestmark = pytest.mark.benchmark

LOTS = wanted("LOTS", 1000)
COUNTS = (20, 50, 200)
OTHER_COUNTS = (10, 30, 100)
WANTED = 1.33
HISTORY = (25, 200)
"""Earlier lots and units in each: 5,000 values."""

LOTS_A_HISTORY = 20
"""Lots judged by one history, to save time; histories are independent."""

INDICES = (1.5, 1.67, 2.0, 2.5)
SPREAD = 1.5
RESAMPLES = 199
"""Fewer than the commands use, to save time; a p of 0.05 is exact with them too."""


def allowed(share: float = 0.05) -> float:
    """The largest rate that chance explains in one of some 100 cells, in percent.

    Four standard errors: one cell in 40 exceeds two of them by chance alone.
    """
    return 100 * (share + 4 * math.sqrt(share * (1 - share) / LOTS))


def _moments(values: np.ndarray) -> Moments:
    return Moments(
        count=len(values),
        mean=float(values.mean()),
        deviation=float(values.std(ddof=1)),
    )


@lru_cache(maxsize=2)
def _histories(name: str, layout: tuple[int, int]) -> Sequence[History]:
    chance = chance_of(1, *layout, *name.encode())
    return [
        history_of(ALL[name].draw(chance, layout).tolist())
        for _ in range(math.ceil(LOTS / LOTS_A_HISTORY))
    ]


@lru_cache(maxsize=64)
def _factor(count: int) -> float:
    """Distance in deviations from which on a normal lot has the index ``WANTED``."""
    coverage = float(special.ndtr(3 * WANTED))
    return factor_one_sided(count=count, coverage=coverage, confidence=0.95)


def _lots(source: Source, count: int, *key: int) -> Iterator[np.ndarray]:
    chance = chance_of(count, *key)
    for _ in range(LOTS):
        yield source.draw(chance, (count,))


def proofs(
    name: str,
    count: int,
    *,
    index: float = WANTED,
    states: str | None = None,
    layout: tuple[int, int] = HISTORY,
) -> tuple[float, float, float]:
    """Share of lots with a proof, of the normal model's, and of normal histories; percent.

    Args:
        name: source of the lots.
        count: units in each.
        index: true index of the one limit.
        states: source of the earlier lots; that of the lots unless given.
        layout: earlier lots, and units in each.
    """
    source = ALL[name]
    limit = source.high_limit(index)
    histories = _histories(states or name, layout)
    ours = plain = normal = 0
    for place, lot in enumerate(_lots(source, count, round(100 * index), 7)):
        history = histories[place // LOTS_A_HISTORY]
        shown = bool((limit - lot.mean()) / lot.std(ddof=1) >= _factor(count))
        plain += shown
        normal += history.is_normal
        # with a normal history the bound is never above that of the normal model
        if shown or not history.is_normal:
            found = prove_index(lot.tolist(), low=None, high=limit, history=history)
            assert found.method is not Method.FREE
            ours += found.proves(WANTED)
    return 100 * ours / LOTS, 100 * plain / LOTS, 100 * normal / LOTS


def test_capability_without_a_history() -> None:
    """However far away the limit is, so few values alone prove nothing."""
    for name, source in ALL.items():
        for count in (*OTHER_COUNTS, *COUNTS):
            lot = source.draw(chance_of(count, 2), (count,))
            far = source.high_limit(99.0)
            assert prove_index(lot.tolist(), low=None, high=far).at_least is None, name


@pytest.mark.parametrize(
    ("layout", "counts"),
    [(HISTORY, COUNTS), (HISTORY, OTHER_COUNTS), ((100, 50), COUNTS)],
)
def test_capability_at_the_margin(
    layout: tuple[int, int], counts: tuple[int, ...]
) -> None:
    """Per distribution and n: false proofs with a history, and of the normal model."""
    say(
        f"\nfalse proofs of Ppk {WANTED} at exactly that index, percent of {LOTS} lots; a "
        f"history of {layout[0]} lots of {layout[1]} (normal model alone); without a history 0"
    )
    say(f"{'distribution':24}", *(f"n {count:<12}" for count in counts), "(1-w)^n")
    for name, source in ALL.items():
        found = [proofs(name, count, layout=layout) for count in counts]
        cells = [f"{ours:5.1f} ({plain:5.1f}) " for ours, plain, _ in found]
        share = 1 - source.minority
        floors = (f"{100 * share**count:.3g}" for count in counts)
        floor = ", ".join(floors) if source.minority else "-"
        say(f"{name:24}", *cells, floor)
        assert max(cell[0] for cell in found) <= allowed()


def test_capability_of_a_shape_that_changed() -> None:
    """A history of another shape: what the test of shape lets through, printed and not hidden."""
    say("\nfalse proofs with a NORMAL history, though the lot is of another shape")
    for name in ("normal", "exponential", "lognormal 0.5", "t5", "t3", "uniform"):
        rates = [proofs(name, n, states="normal")[0] for n in COUNTS]
        shown = (f"n {n}: {r:5.1f}" for n, r in zip(COUNTS, rates, strict=True))
        say(f"{name:24}", *shown)


@pytest.mark.parametrize(
    ("name", "layout"),
    [
        *((name, HISTORY) for name in ("normal", "normal in 1/16 K", "exponential",
                                       "lognormal 0.5", "t5", "uniform")),
        ("normal", (100, 200)),
        ("normal", (100, 500)),
        ("exponential", (100, 500)),
    ],
)  # fmt: skip
def test_power_of_capability(name: str, layout: tuple[int, int]) -> None:
    """Proofs by true index: with a history beside the normal model, true only of normal lots."""
    say(
        f"\nproofs of Ppk {WANTED} by true index, percent: {name}, history of "
        f"{layout[0] * layout[1]} values (normal model)"
    )
    for count in COUNTS:
        cells = []
        for index in INDICES:
            ours, plain, _ = proofs(name, count, index=index, layout=layout)
            cells.append(f"{index}: {ours:5.1f} ({plain:5.1f})")
        say(f"  n {count:3}  ", "   ".join(cells))


@pytest.mark.parametrize("count", [2400, 5000])
def test_lots_that_need_no_history(count: int) -> None:
    """Lots that are large enough: false proofs at the margin, and power."""
    say(f"\nn {count}, no history, proofs by true index, percent")
    for name, source in ALL.items():
        limits = [source.high_limit(index) for index in (WANTED, *INDICES[:3])]
        found = np.zeros(len(limits))
        for lot in _lots(source, count, 8):
            values = lot.tolist()
            found += [
                prove_index(values, low=None, high=limit).proves(WANTED)
                for limit in limits
            ]
        say(f"{name:24}", *(f"{100 * cell / LOTS:6.1f}" for cell in found))
        assert 100 * found[0] / LOTS <= allowed()


def spread_proofs(
    new: Source, old: Source, counts: tuple[int, int], ratio: float, *key: int
) -> tuple[float, float]:
    """Share of pairs with a proof: of the method, and of the F interval alone, in percent."""
    chance = chance_of(*counts, round(100 * ratio), *key)
    scale = [
        float(np.std(s.draw(np.random.default_rng(1), (10**6,)))) for s in (new, old)
    ]
    if new is old:
        scale = [1.0, 1.0]
    ours = plain = 0
    for _ in range(LOTS):
        first = new.draw(chance, (counts[0],)) / scale[0] * ratio
        second = old.draw(chance, (counts[1],)) / scale[1]
        high = variance_ratio(_moments(first), _moments(second), confidence=0.9)[3]
        if high > SPREAD**2:  # without it nothing is proved
            continue
        plain += 1
        ours += prove_spread(
            first.tolist(), second.tolist(), margin=SPREAD, resamples=RESAMPLES
        ).is_proved
    return 100 * ours / LOTS, 100 * plain / LOTS


def test_spreads_at_the_margin() -> None:
    """Ratio exactly at the margin of 1.5, and equal spreads for the power."""
    say(
        f"\nspread: false proofs at a ratio of {SPREAD}, power at 1, percent; (F interval alone)"
    )
    for name, source in ALL.items():
        for counts in ((10, 10), (20, 20), (20, 200), (200, 20), (50, 50), (200, 200)):
            false, plain = spread_proofs(source, source, counts, SPREAD)
            power, strong = spread_proofs(source, source, counts, 1.0)
            say(
                f"{name:24} {counts[0]:3} to {counts[1]:3}  false {false:4.1f} "
                f"({plain:4.1f})  power {power:5.1f} ({strong:5.1f})"
            )
            assert false <= allowed()


def test_spreads_of_different_shapes() -> None:
    """Lots of different shapes: small ones exceed the level, printed and not hidden."""
    say("\nspread: false proofs of lots of different shapes at a ratio of 1.5")
    for new, old in (("t5", "normal"), ("normal", "t5"), ("exponential", "normal")):
        rates = [spread_proofs(ALL[new], ALL[old], (n, n), SPREAD)[0] for n in COUNTS]
        say(f"{new} against {old}:", rates)


def test_means_at_the_margin() -> None:
    """Means apart by exactly the margin, either way: the method, and Welch's test alone."""
    say("\nmeans: false proofs of equal means at the margin, up and down (Welch alone)")
    for name, source in ALL.items():
        for counts in ((10, 10), (20, 20), (20, 200), (200, 20), (50, 50), (200, 200)):
            cells = []
            for sign in (1, -1):
                chance = chance_of(*counts, sign + 1)
                spread = float(np.std(source.draw(np.random.default_rng(1), (10**5,))))
                margin = 1.5 * spread
                ours = plain = 0
                for _ in range(LOTS):
                    first = source.draw(chance, (counts[0],)) + sign * margin
                    second = source.draw(chance, (counts[1],))
                    found = equivalence(
                        _moments(first), _moments(second), margin=margin
                    )
                    if found.p >= found.alpha:  # without it nothing is proved
                        continue
                    plain += 1
                    ours += prove_means(
                        first.tolist(),
                        second.tolist(),
                        margin=margin,
                        resamples=RESAMPLES,
                    ).is_proved
                cells.append((100 * ours / LOTS, 100 * plain / LOTS))
                assert cells[-1][0] <= allowed()
            shown = "  ".join(f"{a:4.1f} ({b:4.1f})" for a, b in cells)
            say(f"{name:24} {counts[0]:3} to {counts[1]:3}  {shown}")
