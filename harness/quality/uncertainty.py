"""Measurement uncertainty as a budget: contributions, combined and expanded.

Source: JCGM 100:2008, 4.3.7 (a quantity known to lie within +-a has the standard
uncertainty a / sqrt 3), 5.1.2 (independent contributions combine by their squares),
6.2.1 (expanded uncertainty U = k u).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from harness.errors import UsageError

COVERAGE_FACTOR = 2.0
"""k of every expanded uncertainty that is printed: about 95 % of a normal one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """One line of a budget.

    Attributes:
        name: what it comes from.
        standard: standard uncertainty, in the unit of the result.
    """

    name: str
    standard: float


def from_expanded(name: str, expanded: float, coverage_factor: float) -> Contribution:
    """Of a value that a certificate states with U and k.

    Raises:
        UsageError: U is negative, or k is not above zero.
    """
    if not (expanded >= 0 and coverage_factor > 0):
        raise UsageError(f"{name}: U must be zero or more and k above zero")
    return Contribution(name=name, standard=expanded / coverage_factor)


def from_half_width(name: str, half_width: float) -> Contribution:
    """Of a quantity that lies within plus or minus ``half_width``, anywhere alike.

    Raises:
        UsageError: a negative half width.
    """
    if half_width < 0:
        raise UsageError(f"{name}: a half width must be zero or more")
    return Contribution(name=name, standard=half_width / math.sqrt(3))


def expanded_uncertainty(contributions: Iterable[Contribution]) -> float:
    """U for k = 2 of independent contributions."""
    squares = (each.standard**2 for each in contributions)
    return COVERAGE_FACTOR * math.sqrt(math.fsum(squares))
