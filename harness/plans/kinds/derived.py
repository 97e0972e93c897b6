"""Quantities of a description that are worked out from others."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from functools import partial
from itertools import pairwise

from harness.errors import ReadingImplausible
from harness.families.family import Answer, Quantity, Session
from harness.plans.schema.kind.rows import Derived

Known = Mapping[str, Quantity]


def with_derived(rows: tuple[Derived, ...], known: Known) -> dict[str, Quantity]:
    """The quantities, and behind them those that are worked out, in their order."""
    found = dict(known)
    for row in rows:
        asks = {name: found[name].read for name in row.sources}
        again = {name: found[name].reread for name in row.sources}
        # one that needs no conversion is asked as ever
        held = {name: again[name] or ask for name, ask in asks.items()}
        found[row.name] = Quantity(
            name=row.name,
            unit=row.unit,
            read=partial(_read, row, asks),
            about=row.about or f"worked out from {', '.join(row.sources)}",
            reread=partial(_read, row, held) if any(again.values()) else None,
        )
    return found


def _read(
    row: Derived, sources: Mapping[str, Callable[[Session], Answer]], session: Session
) -> Answer:
    asked = {name: ask(session) for name, ask in sources.items()}
    given = {name: float(answer.value) for name, answer in asked.items()}
    return Answer(value=worked_out(row, given), evidence={"from": given})


def worked_out(row: Derived, given: Mapping[str, float]) -> float:
    """The value for these values of its sources.

    Raises:
        ReadingImplausible: beyond the table or the limits, or no finite number.
    """
    try:
        value = _WAYS[bool(row.polynomial), bool(row.terms)](row, given)
    except OverflowError:
        value = math.inf
    except ValueError:  # terms beyond all numbers on both sides
        value = math.nan
    low = row.low is None or value >= row.low
    high = row.high is None or value <= row.high
    if not (low and high and math.isfinite(value)):
        shown = ", ".join(f"{name} {number:g}" for name, number in given.items())
        raise ReadingImplausible(f"{row.name} would be {value:g} {row.unit} at {shown}")
    return value


def _polynomial(row: Derived, given: Mapping[str, float]) -> float:
    assert row.of is not None  # the schema insists on it
    x, value = given[row.of], 0.0
    for factor in reversed(row.polynomial):
        value = value * x + factor
    return value


def _terms(row: Derived, given: Mapping[str, float]) -> float:
    return math.fsum(
        term.factor
        * math.prod(given[name] ** power for name, power in term.powers.items())
        for term in row.terms
    )


def _table(row: Derived, given: Mapping[str, float]) -> float:
    assert row.of is not None  # the schema insists on it
    x = given[row.of]
    for (x0, y0), (x1, y1) in pairwise(row.table):
        if x0 <= x <= x1:
            return y0 + (y1 - y0) * ((x - x0) / (x1 - x0))
    return math.nan


_WAYS: dict[tuple[bool, bool], Callable[[Derived, Mapping[str, float]], float]] = {
    (True, False): _polynomial,
    (False, True): _terms,
    (False, False): _table,
}
"""By whether there is a polynomial, and whether there are terms."""
