"""Exact tests on counts."""

from __future__ import annotations

from math import comb


def fewer_by_chance(hits: int, of: int, other_hits: int, other_of: int) -> float:
    """Chance of so few hits here where both have the same rate (Fisher's exact test)."""
    total, tries = hits + other_hits, of + other_of
    every = comb(tries, total)
    return float(
        sum(
            comb(of, n) * comb(other_of, total - n)
            for n in range(max(0, total - other_of), hits + 1)
        )
        / every
    )


def so_few_of_halves(hits: int, of: int) -> float:
    """Chance of so few hits where each try hits in half of the cases or more."""
    return float(sum(comb(of, n) for n in range(hits + 1)) / 2**of)


def so_many_of(hits: int, of: int, share: float) -> float:
    """Chance of so many hits where each try hits with this share."""
    return float(
        sum(
            comb(of, n) * share**n * (1 - share) ** (of - n)
            for n in range(hits, of + 1)
        )
    )
