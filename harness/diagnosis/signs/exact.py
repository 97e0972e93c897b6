"""Exact tests on counts, in whole numbers.

Each term of a sum follows from the one before by a small factor: binomial coefficients
of thousands of slots, made anew for each term, took a fifth of an examination.
"""

from __future__ import annotations

from math import comb


def fewer_by_chance(hits: int, of: int, other_hits: int, other_of: int) -> float:
    """Chance of so few hits here where both have the same rate (Fisher's exact test)."""
    total, tries = hits + other_hits, of + other_of
    fewest = max(0, total - other_of)
    ways = comb(of, fewest) * comb(other_of, total - fewest)
    so_few = 0
    for n in range(fewest, hits + 1):
        so_few += ways
        ways = ways * (of - n) * (total - n) // ((n + 1) * (other_of - total + n + 1))
    return float(so_few / comb(tries, total))


def so_few_of_halves(hits: int, of: int) -> float:
    """Chance of so few hits where each try hits in half of the cases or more."""
    ways, so_few = 1, 0
    for n in range(hits + 1):
        so_few += ways
        ways = ways * (of - n) // (n + 1)
    return float(so_few / 2**of)


def so_many_of(hits: int, of: int, share: float) -> float:
    """Chance of so many hits where each try hits with this share."""
    return float(
        sum(
            comb(of, n) * share**n * (1 - share) ** (of - n)
            for n in range(hits, of + 1)
        )
    )
