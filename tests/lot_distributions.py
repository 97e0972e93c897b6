"""Distributions that lots of the tests are drawn from, with their true percentiles.

The true index of a limit follows from the percentiles 0.135, 50 and 99.865 % (ISO
22514-2), so a limit with a stated index can be placed for each.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import optimize, special, stats

Array = np.ndarray


@dataclass(frozen=True, kw_only=True)
class Source:
    """A distribution of units.

    Attributes:
        draw: values of a generator, in an array of a shape.
        ppf: quantile function, of the values before any rounding.
        minority: share of a second kind of unit, else 0.
    """

    draw: Callable[[np.random.Generator, tuple[int, ...]], Array]
    ppf: Callable[[float], float]
    minority: float = 0.0

    def high_limit(self, index: float) -> float:
        """The high limit at which the true index is ``index``."""
        middle = self.ppf(0.5)
        return middle + index * (self.ppf(0.99865) - middle)


Law = Any
"""A frozen distribution of SciPy, whose classes have no common public type."""


def _of(law: Law, step: float = 0.0) -> Source:
    def draw(chance: np.random.Generator, shape: tuple[int, ...]) -> Array:
        made = np.asarray(law.rvs(size=shape, random_state=chance))
        return np.round(made / step) * step if step else made

    return Source(draw=draw, ppf=lambda share: float(law.ppf(share)))


def mixture(share: float, distance: float) -> Source:
    """A standard normal lot with a share of units ``distance`` deviations higher."""

    def draw(chance: np.random.Generator, shape: tuple[int, ...]) -> Array:
        return chance.normal(size=shape) + distance * (chance.random(shape) < share)

    def ppf(wanted: float) -> float:
        def excess(x: float) -> float:
            low, high = special.ndtr(x), special.ndtr(x - distance)
            return float((1 - share) * low + share * high - wanted)

        return float(optimize.brentq(excess, -40, 40 + distance))

    return Source(draw=draw, ppf=ppf, minority=share)


SOURCES = {
    "normal": _of(stats.norm()),
    "exponential": _of(stats.expon()),
    "lognormal 0.5": _of(stats.lognorm(0.5)),
    "t5": _of(stats.t(5)),
    "t3": _of(stats.t(3)),
    "skewed normal 4": _of(stats.skewnorm(4)),
    # 1/16 K steps of a lot with a deviation of 0.1 K
    "normal in 1/16 K": _of(stats.norm(0, 0.1), step=1 / 16),
    "2 % at 6 deviations": mixture(0.02, 6),
}
"""The distributions of the printed table."""

OTHERS = {
    "0.5 % at 8 deviations": mixture(0.005, 8),
    "0.15 % at 4 deviations": mixture(0.0015, 4),
    "two halves, 4 apart": mixture(0.5, 4),
    "Weibull 1.5": _of(stats.weibull_min(1.5)),
    "gamma 50": _of(stats.gamma(50)),
    "Laplace": _of(stats.laplace()),
    "uniform": _of(stats.uniform()),
    "t30": _of(stats.t(30)),
}
"""Others that a normal model does not fit, or hardly does."""

UNTUNED = {
    "Weibull 3.6": _of(stats.weibull_min(3.6)),
    "gamma 4": _of(stats.gamma(4)),
    "logistic": _of(stats.logistic()),
    "beta 2, 2": _of(stats.beta(2, 2)),
    "t10": _of(stats.t(10)),
    "normal cut at 2.5": _of(stats.truncnorm(-2.5, 2.5)),
    "normal cut at 3.5": _of(stats.truncnorm(-3.5, 3.5)),
    "skewed normal 1": _of(stats.skewnorm(1)),
    "1 % at 3 deviations": mixture(0.01, 3),
    "5 % at 10 deviations": mixture(0.05, 10),
    "0.05 % at 5 deviations": mixture(0.0005, 5),
    "9 to 1, 5 apart": mixture(0.1, 5),
}
"""Added after the methods; one of them, 0.05 % at 5 deviations, was looked at since."""

ALL = SOURCES | OTHERS | UNTUNED
