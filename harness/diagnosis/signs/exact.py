"""Exact tests on counts, in whole numbers.

Each term of a sum follows from the one before by a small factor: binomial coefficients
of thousands of slots, made anew for each term, took a fifth of an examination.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import comb, log

_BEYOND = 1e-9
"""Chances below this are shown as this: no count of an examination supports more."""


def by_chance(chance: float) -> str:
    """A chance in words, such as ``by chance in 1 of 900 cases``.

    Args:
        chance: from 0 to 1.
    """
    if chance < _BEYOND:
        return f"by chance in less than 1 of {1 / _BEYOND:,.0f} cases"
    if chance > 0.1:
        return f"by chance in {chance:.0%} of cases"
    whole = 1 / chance
    step = 10 ** max(0, len(str(int(whole))) - 2)
    return f"by chance in 1 of {round(whole / step) * step:,} cases"


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


_RATES = tuple(10 ** (-exponent / 10) for exponent in range(1, 61))
"""Of one character, from 0.8 to one in a million: no examination sends more."""


def one_rate_by_chance(
    short: Mapping[int, tuple[int, int]], kept: Mapping[int, tuple[int, int]]
) -> float:
    """Chance that long bursts come short so often and shorter ones so seldom at one rate.

    Where each character is lost at the same rate, whatever it is sent in, a burst of n comes
    whole with the n-th power of what one does. Both chances are taken together by their
    product (Fisher, Statistical Methods for Research Workers, 1932, section 21.1), and the
    greatest over all such rates counts.

    Args:
        short: characters sent at once -> how many of how many came back whole.
        kept: the same of those that are held to lose less.
    """
    came = sum(whole for whole, _ in short.values())
    lost = sum(tries - whole for whole, tries in kept.values())

    def at(rate: float) -> float:
        whole = [
            (1 - rate) ** n for n, (_, tries) in short.items() for _ in range(tries)
        ]
        loses = [
            1 - (1 - rate) ** n for n, (_, tries) in kept.items() for _ in range(tries)
        ]
        both = _so_few_of(came, whole) * _so_few_of(lost, loses)
        return both * (1 - log(both)) if both else 0.0

    return max(map(at, _RATES))


def _so_few_of(hits: int, chances: Sequence[float]) -> float:
    """Chance of so few hits where each try has a chance of its own."""
    exactly = [1.0] + [0.0] * hits
    for chance in chances:
        for n in range(hits, 0, -1):
            exactly[n] += chance * (exactly[n - 1] - exactly[n])
        exactly[0] *= 1 - chance
    return sum(exactly)


def so_many_common(common: int, of: int, one: int, other: int) -> float:
    """Chance that two draws by lot, of ``one`` and ``other`` from ``of``, share so many."""
    ways = sum(
        comb(other, n) * comb(of - other, one - n)
        for n in range(common, min(one, other) + 1)
    )
    return float(ways / comb(of, one))
