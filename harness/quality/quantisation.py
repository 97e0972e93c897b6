"""Readings that come in steps, as those of a converter with few bits.

A 12-bit thermometer reads in steps of 1/16 K, which is more than half the deviation of a
good lot. Tests made for numbers without ties take such a lot for anything but normal,
and a histogram of it has empty bins beside double ones.
"""

from __future__ import annotations

import itertools
import statistics
from collections import Counter
from collections.abc import Sequence

_MET_OFTEN = 2
"""Readings come in steps if each value is met so often on average (common practice,
no source); numbers without steps have hardly any ties."""

_ROUGHLY_WHOLE = 0.2
"""Distance from a whole number of steps: 1/16 K printed to two digits is 0.06 or 0.07."""


def step_of(values: Sequence[float]) -> float:
    """The usual distance between neighbouring values; 0 if they do not come in steps."""
    different = sorted(set(values))
    if len(different) < 2 or len(different) > len(values) / _MET_OFTEN:
        return 0.0
    return statistics.median(b - a for a, b in itertools.pairwise(different))


def within_steps(values: Sequence[float]) -> tuple[float, ...]:
    """Ascending, those of one step spread evenly over it: each came from somewhere in it.

    Values that do not come in steps stay as they are. With steps of up to one deviation
    the test of Shapiro and Wilk then keeps its level (simulated: of normal lots of 50 to
    1000 at a level of 5 %, 1 to 6 % are refused instead of 10 to 100 %) and still sees
    skewed and heavy-tailed lots.
    """
    step = step_of(values)
    return tuple(
        value + step * ((place + 0.5) / times - 0.5) if step else value
        for value, times in sorted(Counter(values).items())
        for place in range(times)
    )


def resolution_of(values: Sequence[float]) -> float:
    """The step of a gauge: the smallest distance between its readings; 0 if none shows.

    Unlike ``step_of`` it holds for a few different parts, each read again and again: the
    usual distance is then that of the parts. All distances are whole steps, within the
    rounding of the printed digits.
    """
    different = sorted(set(values))
    if len(different) < 2 or len(different) > len(values) / _MET_OFTEN:
        return 0.0
    gaps = [b - a for a, b in itertools.pairwise(different)]
    step = min(gaps)
    whole = all(abs(gap / step - round(gap / step)) <= _ROUGHLY_WHOLE for gap in gaps)
    return step if whole else 0.0
