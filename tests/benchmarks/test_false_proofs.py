"""False proofs at the margin, and the power that the methods keep.

Run with ``pytest -m benchmark tests/benchmarks/test_false_proofs.py -s``. With 1,000 lots
a cell, a rate of 5 % comes out as at most 6.4 % (two standard errors, 0.69 %); the number
of lots is ``SLOTPROOF_LOTS``.
"""

from __future__ import annotations

import math
import os
import sys

import numpy as np
import pytest
from scipy import special

from harness.quality.comparison import equivalence, variance_ratio
from harness.quality.moments import Moments
from harness.quality.proofs.capability import prove_index
from harness.quality.proofs.comparison import proves_equal, proves_spread
from harness.quality.proofs.history import History, history_of
from harness.quality.tolerance import factor_one_sided
from tests.lot_distributions import ALL, SOURCES, Source

pytestmark = pytest.mark.benchmark

LOTS = int(os.environ.get("SLOTPROOF_LOTS", "1000"))
COUNTS = (20, 50, 200)
WANTED = 1.33
HISTORY = (25, 200)
"""Earlier lots and units in each: 5,000 values."""

LOTS_A_HISTORY = 5
"""Lots judged by one history, to save time; histories are independent."""

SPREAD = 1.5
RESAMPLES = 499
"""Fewer than the commands use, to save time; a p of 0.05 is exact with them too."""


def _say(*words: object) -> None:
    sys.stdout.write(" ".join(map(str, words)) + "\n")
    sys.stdout.flush()


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


def _history(source: Source, chance: np.random.Generator) -> History:
    return history_of([lot.tolist() for lot in source.draw(chance, HISTORY)])


def proofs(
    source: Source, count: int, *, index: float, states: Source | None
) -> tuple[float, float]:
    """Share of lots with a proof, by the method and by the normal model alone, in percent.

    Args:
        source: of the lots.
        count: units in each.
        index: true index of the one limit.
        states: of the earlier lots, or None without any.
    """
    chance = np.random.default_rng([count, round(100 * index), 7])
    limit = source.high_limit(index)
    # the exact bound of a normal lot is at least WANTED from this distance on
    factor = factor_one_sided(
        count=count, coverage=float(special.ndtr(3 * WANTED)), confidence=0.95
    )
    ours = plain = 0
    history = None
    for place in range(LOTS):
        if states is not None and place % LOTS_A_HISTORY == 0:
            history = _history(states, chance)
        lot = source.draw(chance, (count,))
        found = prove_index(lot.tolist(), low=None, high=limit, history=history)
        ours += found.proves(WANTED)
        plain += (limit - lot.mean()) / lot.std(ddof=1) >= factor
    return 100 * ours / LOTS, 100 * plain / LOTS


def test_capability_at_the_margin() -> None:
    """Per distribution and n: false proofs with and without a history, and of the normal model."""
    _say(
        f"\nfalse proofs of Ppk {WANTED}, percent of {LOTS} lots at exactly that index"
    )
    _say(f"{'distribution':24}  n    alone  history  normal model  (1-w)^n")
    for name, source in ALL.items():
        for count in COUNTS:
            alone, plain = proofs(source, count, index=WANTED, states=None)
            ours, _ = proofs(source, count, index=WANTED, states=source)
            floor = 100 * (1 - source.minority) ** count
            _say(
                f"{name:24} {count:3}  {alone:6.1f}  {ours:7.1f}  {plain:12.1f}  "
                + (f"{floor:.1f}" if source.minority else "-")
            )
            assert max(alone, ours) <= allowed()


def test_capability_of_a_shape_that_changed() -> None:
    """A history of another shape: what the test of shape lets through, printed and not hidden."""
    _say("\nfalse proofs with a NORMAL history, though the lot is of another shape")
    for name in ("normal", "exponential", "lognormal 0.5", "t5", "t3", "uniform"):
        rates = [
            proofs(ALL[name], n, index=WANTED, states=SOURCES["normal"])[0]
            for n in COUNTS
        ]
        _say(
            f"{name:24}",
            *(f"n {n}: {r:5.1f}" for n, r in zip(COUNTS, rates, strict=True)),
        )


def test_power_of_capability() -> None:
    """Proofs by true index: with a history beside the normal model of a normal lot."""
    _say("\nproofs of Ppk 1.33 by true index, percent: with history (normal model)")
    for name in ("normal", "normal in 1/16 K", "exponential", "t5"):
        for count in COUNTS:
            cells = []
            for index in (1.5, 1.67, 2.0, 2.5):
                ours, plain = proofs(
                    SOURCES[name], count, index=index, states=SOURCES[name]
                )
                cells.append(f"{index}: {ours:5.1f} ({plain:5.1f})")
            _say(f"{name:24} {count:3}  ", "   ".join(cells))


@pytest.mark.parametrize("count", [2000, 2400, 5000])
def test_lots_that_need_no_history(count: int) -> None:
    """Lots that are large enough: false proofs at the margin, and power."""
    _say(f"\nn {count}, no history, proofs by true index, percent")
    for name, source in ALL.items():
        cells = [
            proofs(source, count, index=index, states=None)[0]
            for index in (WANTED, 1.5, 1.67, 2.0)
        ]
        _say(f"{name:24}", *(f"{cell:6.1f}" for cell in cells))
        assert cells[0] <= allowed()


def spread_proofs(
    new: Source, old: Source, counts: tuple[int, int], ratio: float
) -> tuple[float, float]:
    """Share of pairs with a proof: of the method, and of the F interval alone, in percent."""
    chance = np.random.default_rng([*counts, round(100 * ratio)])
    scale = [
        float(np.std(s.draw(np.random.default_rng(1), (10**6,)))) for s in (new, old)
    ]
    if new is old:
        scale = [1.0, 1.0]
    ours = plain = 0
    for _ in range(LOTS):
        first = new.draw(chance, (counts[0],)) / scale[0] * ratio
        second = old.draw(chance, (counts[1],)) / scale[1]
        ours += proves_spread(
            first.tolist(), second.tolist(), margin=SPREAD, resamples=RESAMPLES
        )
        high = variance_ratio(_moments(first), _moments(second), confidence=0.9)[3]
        plain += high <= SPREAD**2
    return 100 * ours / LOTS, 100 * plain / LOTS


def test_spreads_at_the_margin() -> None:
    """Ratio exactly at the margin of 1.5, and equal spreads for the power."""
    _say(
        f"\nspread: false proofs at a ratio of {SPREAD}, power at 1; (F interval alone)"
    )
    for name, source in ALL.items():
        for counts in ((20, 20), (20, 200), (200, 20), (50, 50), (200, 200)):
            false, plain = spread_proofs(source, source, counts, SPREAD)
            power, strong = spread_proofs(source, source, counts, 1.0)
            _say(
                f"{name:24} {counts[0]:3} to {counts[1]:3}  false {false:4.1f} "
                f"({plain:4.1f})  power {power:5.1f} ({strong:5.1f})"
            )
            assert false <= allowed()


def test_spreads_of_different_shapes() -> None:
    """Lots of different shapes: small ones exceed the level, printed and not hidden."""
    _say("\nspread: false proofs of lots of different shapes at a ratio of 1.5")
    for new, old in (("t5", "normal"), ("normal", "t5"), ("exponential", "normal")):
        rates = [spread_proofs(ALL[new], ALL[old], (n, n), SPREAD)[0] for n in COUNTS]
        _say(f"{new} against {old}:", rates)


def test_means_at_the_margin() -> None:
    """Means apart by exactly the margin, either way: the method, and Welch's test alone."""
    _say(
        "\nmeans: false proofs of equal means at the margin, up and down (Welch alone)"
    )
    for name, source in ALL.items():
        for counts in ((20, 20), (20, 200), (50, 50), (200, 200)):
            cells = []
            for sign in (1, -1):
                chance = np.random.default_rng([*counts, sign + 1])
                spread = float(np.std(source.draw(np.random.default_rng(1), (10**5,))))
                margin = 1.5 * spread
                ours = plain = 0
                for _ in range(LOTS):
                    first = source.draw(chance, (counts[0],)) + sign * margin
                    second = source.draw(chance, (counts[1],))
                    ours += proves_equal(
                        first.tolist(),
                        second.tolist(),
                        margin=margin,
                        resamples=RESAMPLES,
                    )
                    found = equivalence(
                        _moments(first), _moments(second), margin=margin
                    )
                    plain += found.p < found.alpha
                cells.append((100 * ours / LOTS, 100 * plain / LOTS))
                assert cells[-1][0] <= allowed()
            shown = "  ".join(f"{a:4.1f} ({b:4.1f})" for a, b in cells)
            _say(f"{name:24} {counts[0]:3} to {counts[1]:3}  {shown}")
