"""What a measured time, a bound or a value with its doubt, says of its limits."""

from __future__ import annotations

import pytest

from harness.records import Bound
from harness.timing.edges import MeasuredEdge, Reach
from harness.timing.values import Name, Standing, Timing, timing_of
from harness.wire.limits import Limit

WINDOW = Limit(name="window", low_us=15, high_us=60, source="invented for the test")
AT_MOST = Limit(name="at most", high_us=65, source="invented for the test")


def timing(value: float, doubt: float, bound: str, limit: Limit) -> Timing:
    """A measured time."""
    return Timing(
        name=Name.SLOT_PERIOD,
        value=value,
        uncertainty=doubt,
        bound=Bound(bound) if bound else None,
        limit=limit,
    )


@pytest.mark.parametrize(
    ("measured", "standing"),
    [
        ((30, 1, "", WINDOW), Standing.MET),
        ((16, 2, "", WINDOW), Standing.OPEN),
        ((14, 2, "", WINDOW), Standing.OPEN),
        ((12, 2, "", WINDOW), Standing.BROKEN),
        ((63, 2, "", WINDOW), Standing.BROKEN),
        # "at most" meets a high limit, misses a low one, and leaves the others open
        ((30, 0, "at most", WINDOW), Standing.PARTLY),
        ((14, 0, "at most", WINDOW), Standing.BROKEN),
        ((87, 0, "at most", WINDOW), Standing.OPEN),
        ((87, 0, "at most", AT_MOST), Standing.OPEN),
        ((60, 0, "at most", AT_MOST), Standing.MET),
        # "at least" the other way round
        ((30, 0, "at least", WINDOW), Standing.PARTLY),
        ((61, 0, "at least", WINDOW), Standing.BROKEN),
        ((10, 0, "at least", WINDOW), Standing.OPEN),
        ((70, 0, "at least", AT_MOST), Standing.BROKEN),
        ((30, 0, "at least", AT_MOST), Standing.OPEN),
        ((30, 1, "", Limit(name="", source="")), Standing.FREE),
    ],
)
def test_standing(
    measured: tuple[float, float, str, Limit],
    standing: Standing,
) -> None:
    """By arithmetic: a bound decides only what it reaches."""
    made = timing(*measured)
    assert made.standing is standing
    assert made.broken == (standing is Standing.BROKEN)
    assert made.as_measurement().holds != made.broken
    assert bool(made.open_text) == (standing in {Standing.OPEN, Standing.PARTLY})


def test_the_open_limit_is_named() -> None:
    """With the value in the words of a bound."""
    assert timing(87, 0, "at most", AT_MOST).open_text == (
        "slot_period is at most 87 us, its limit at most 65 us"
    )
    # a bound leaves the limit open that it does not reach, and no other
    assert timing(30, 0, "at most", WINDOW).open_text.endswith(
        "its limit at least 15 us"
    )
    assert timing(30, 0, "at least", WINDOW).open_text.endswith(
        "its limit at most 60 us"
    )


@pytest.mark.parametrize(
    ("reach", "value", "bound"),
    [(Reach.BELOW, 12.5, "at most"), (Reach.ABOVE, 11.5, "at least")],
)
def test_the_doubt_of_a_bound_widens_it(reach: Reach, value: float, bound: str) -> None:
    """Never a bound with a doubt beside it."""
    edge = MeasuredEdge(value_us=12, half_width_us=0.5, reach=reach)
    made = timing_of(Name.RISE_TIME, edge)
    assert (made.value, made.bound, made.uncertainty) == (value, bound, 0)


@pytest.mark.parametrize(
    ("value", "doubt", "bound"),
    [(2.6, 2.6, True), (2.62, 2.58, True), (2.4, 2.6, True), (2.7, 2.5, False)],
)
def test_a_rise_that_may_be_nothing_is_a_bound(
    value: float, doubt: float, bound: bool
) -> None:
    """2.6 +- 2.6 us, by the digits that are printed, is at most 5.2 us."""
    measured = Timing(name=Name.RISE_TIME, value=value, uncertainty=doubt)
    shown = measured.as_measurement()
    assert (shown.bound is Bound.AT_MOST) is bound
    if bound:
        assert shown.value == pytest.approx(value + doubt, abs=1e-3)
