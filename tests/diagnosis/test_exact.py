"""The exact tests on counts: a published table, the definitions, and thousands of slots."""

from __future__ import annotations

from fractions import Fraction
from math import comb, log
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import hypergeom

from harness.diagnosis.signs.exact import (
    by_chance,
    fewer_by_chance,
    one_rate_by_chance,
    so_few_of_halves,
    so_many_common,
)

COUNTS = st.integers(1, 60).flatmap(
    lambda of: st.tuples(st.integers(0, of), st.just(of))
)


def test_four_cups_of_eight() -> None:
    """All four told apart by chance: 1 in 70 (Fisher, The Design of Experiments, 1935, II)."""
    assert fewer_by_chance(0, 4, 4, 4) == 1 / 70
    assert fewer_by_chance(1, 4, 3, 4) == 17 / 70


@given(COUNTS, COUNTS)
def test_fewer_by_chance_is_the_sum_of_the_tables(
    here: tuple[int, int], there: tuple[int, int]
) -> None:
    """Every table with the same margins and no more hits here, each with its own chance."""
    (hits, of), (other_hits, other_of) = here, there
    total = hits + other_hits
    tables = [n for n in range(hits + 1) if total - n <= other_of]
    ways = sum(comb(of, n) * comb(other_of, total - n) for n in tables)
    chance = Fraction(ways, comb(of + other_of, total))
    assert fewer_by_chance(hits, of, other_hits, other_of) == float(chance)


@given(COUNTS)
def test_so_few_of_halves_is_the_binomial_sum(counts: tuple[int, int]) -> None:
    """As it is defined."""
    hits, of = counts
    chance = Fraction(sum(comb(of, n) for n in range(hits + 1)), 2**of)
    assert so_few_of_halves(hits, of) == float(chance)


def test_thousands_of_slots() -> None:
    """Half of all is a little over one half, by symmetry; the terms stay whole numbers."""
    of = 8000
    middle = Fraction(comb(of, of // 2), 2**of)
    assert so_few_of_halves(of // 2, of) == float((1 + middle) / 2)


@pytest.mark.parametrize(
    ("chance", "words"),
    [
        (1 / 70, "by chance in 1 of 70 cases"),
        (0.00058, "by chance in 1 of 1,700 cases"),
        (0.23, "by chance in 23% of cases"),
        (5.9e-29, "by chance in less than 1 of 1,000,000,000 cases"),
    ],
)
def test_a_chance_in_words(chance: float, words: str) -> None:
    """Two digits, as a count of cases; no powers of ten."""
    assert by_chance(chance) == words


def test_two_draws_share_by_the_hypergeometric_distribution() -> None:
    """As `scipy.stats.hypergeom` has it; certain to share nothing or more."""
    for common, of, one, other in (
        (0, 6, 1, 1),
        (1, 6, 1, 1),
        (3, 90, 9, 7),
        (5, 20, 8, 9),
    ):
        expected = hypergeom.sf(common - 1, of, other, one)
        assert so_many_common(common, of, one, other) == pytest.approx(expected)


def test_losses_at_one_rate() -> None:
    """Of w (1 - w^2) the greatest is 2 / (3 sqrt 3), by its derivative.

    Where all come whole a rate near none explains it.
    """
    both = 2 / (3 * 3**0.5)
    greatest = one_rate_by_chance(short={2: (0, 1)}, kept={1: (1, 1)})
    assert greatest == pytest.approx(both * (1 - log(both)), rel=0.01)
    assert one_rate_by_chance(short={512: (8, 8)}, kept={256: (8, 8)}) > 0.99


def test_one_rate_is_seldom_taken_for_two() -> None:
    """Losses drawn at one rate, whatever it is, pass for more in one of 100 draws at most."""
    random, taken = Random(7), 0
    for _ in range(100):
        keeps = 1 - 10 ** random.uniform(-3.5, -1.5)

        def drawn(size: int, tries: int, keeps: float = keeps) -> tuple[int, int]:
            return sum(random.random() < keeps**size for _ in range(tries)), tries

        short = {size: drawn(size, 8) for size in (512, 256, 128, 64)}
        kept = {1: drawn(1, 200), 16: drawn(16, 8)}
        taken += one_rate_by_chance(short, kept) <= 0.01
    # 100 draws of 1 in 100 bring more than 4 in 0.3 % of cases (binomial)
    assert taken <= 4


def test_losses_beyond_one_rate() -> None:
    """A buffer of 96 spoils each longer burst; 1 lost in 100 leaves some of 64 whole."""
    sharp = {512: (0, 8), 256: (0, 8), 128: (0, 8)}
    assert one_rate_by_chance(sharp, {1: (200, 200), 64: (8, 8)}) < 0.001
    even = {512: (0, 8), 256: (1, 8), 128: (2, 8), 64: (4, 8), 32: (6, 8)}
    assert one_rate_by_chance(even, {1: (198, 200), 16: (7, 8)}) > 0.01
