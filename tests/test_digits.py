"""Digits follow the uncertainty, a bound is a bound, and no rounding crosses a limit."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from harness.digits import (
    amount_text,
    bound_text,
    limit_text,
    limits_text,
    number_text,
    quantity_text,
    uncertain_text,
)
from harness.records import Bound, CheckResult, Measurement, Side
from harness.results.wording import value_row

FINITE = st.floats(min_value=-1e8, max_value=1e8)
POSITIVE = st.floats(min_value=1e-6, max_value=1e6)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (2200.0, "2200"),
        (33.3237, "33.32"),
        (0.00123456, "0.001235"),
        (115384.6, "115385"),
        (4.25, "4.25"),
        (7, "7"),
        (0.0, "0"),
        (math.inf, "inf"),
        (1.5e-7, "1.5e-07"),
    ],
)
def test_four_significant_digits_and_the_whole_part(value: float, text: str) -> None:
    """Without an uncertainty: four digits, no zeros that say nothing."""
    assert number_text(value) == text


@pytest.mark.parametrize(
    ("value", "uncertainty", "text"),
    [
        (33.3237, 0.21, "33.32 +- 0.21"),
        (8.68056, 0.0021, "8.681 +- 0.002"),
        (100.02147, 0.00035, "100.0215 +- 0.0003"),
        (115384.6, 120.0, "115385 +- 120"),
        (1234.56, 0.21, "1234.6 +- 0.2"),
        (33.3237, 0.0, "33.32"),
        (33.3237, None, "33.32"),
        (33.3237, math.nan, "33.32"),
        (33.3237, math.inf, "33.32"),
        (5e-9, 1e-9, "5.000e-09 +- 1.0e-09"),
    ],
)
def test_digits_follow_the_uncertainty(
    value: float, uncertainty: float | None, text: str
) -> None:
    """At most two digits of the uncertainty (JCGM 100:2008, 7.2.6), never none of it.

    The third row is the guide's own mass of 100.02147 g with u = 0.35 mg (7.2.2).
    """
    assert uncertain_text(value, uncertainty) == text


@settings(derandomize=True)
@given(FINITE, POSITIVE)
def test_an_uncertainty_never_reads_zero(value: float, uncertainty: float) -> None:
    """No ``+- 0``, and at most two digits of it below one."""
    doubt = uncertain_text(value, uncertainty).partition(" +- ")[2]
    assert float(doubt) > 0
    if uncertainty < 1:
        assert len(doubt.partition("e")[0].replace(".", "").lstrip("0")) <= 2


@settings(derandomize=True)
@given(FINITE, st.sampled_from(Bound))
def test_a_printed_bound_still_holds(value: float, bound: Bound) -> None:
    """At most is rounded up, at least is rounded down; three digits or the whole part."""
    shown = float(bound_text(value, bound).rsplit(" ", 1)[1])
    slack = 1e-9 * abs(value)
    if bound is Bound.AT_MOST:
        assert shown >= value - slack
    else:
        assert shown <= value + slack
    assert math.isclose(shown, value, rel_tol=0.011, abs_tol=0)


def test_the_bound_of_the_data_sheet_voice() -> None:
    """Not ``33.3237 +- 0.0000``."""
    at_most = Measurement(name="t", value=33.3237, unit="us", bound=Bound.AT_MOST)
    assert quantity_text(at_most) == "at most 33.4 us"
    at_least = Measurement(name="t", value=33.3237, unit="us", bound=Bound.AT_LEAST)
    assert quantity_text(at_least) == "at least 33.3 us"


@settings(derandomize=True)
@given(FINITE, FINITE, st.sampled_from([None, *Bound]), st.integers(0, 8))
def test_no_rounding_crosses_a_limit(
    value: float, limit: float, bound: Bound | None, near: int
) -> None:
    """A reader of the text judges as the numbers do, also right beside the limit."""
    value = limit * (1 + 10.0**-near) if near else value
    limit = float(limit_text(limit))
    assume(math.isfinite(value))
    measured = Measurement(name="t", value=value, low=limit, high=limit, bound=bound)
    shown = float(amount_text(measured).rsplit(" ", 1)[-1])
    assert (shown > limit) == (value > limit)
    assert (shown < limit) == (value < limit)


def test_limits_in_words() -> None:
    """Limits are printed as the plan states them."""
    assert limits_text(2.0, 6.0625) == "2 .. 6.0625"
    assert limits_text(2.0, None) == "at least 2"
    assert limits_text(None, 6) == "at most 6"
    assert limits_text(None, None) == ""
    assert limit_text(100 / 3) == "33.33"


# -- a bound is a kind of value ---------------------------------------------------------


@pytest.mark.parametrize(
    ("bound", "value", "low", "high", "verdict"),
    [
        (Bound.AT_MOST, 33.3, 15.0, 60.0, "high ok"),
        (Bound.AT_MOST, 33.3, 15.0, 30.0, "undecided"),
        (Bound.AT_MOST, 10.0, 15.0, 60.0, "outside"),
        (Bound.AT_MOST, 0.7, None, 1.0, "ok"),
        (Bound.AT_MOST, 5.0, 1.0, None, "undecided"),
        (Bound.AT_LEAST, 33.3, 15.0, 60.0, "low ok"),
        (Bound.AT_LEAST, 61.0, 15.0, 60.0, "outside"),
        (Bound.AT_LEAST, 10.0, 15.0, None, "undecided"),
        (Bound.AT_LEAST, 10.0, None, None, "not judged"),
    ],
)
def test_a_bound_judges_the_side_it_knows(
    bound: Bound, value: float, low: float | None, high: float | None, verdict: str
) -> None:
    """What a bound leaves open is neither met nor missed."""
    measured = Measurement(
        name="t", value=value, unit="us", low=low, high=high, bound=bound
    )
    assert value_row(measured).verdict == verdict
    assert measured.holds == (verdict != "outside")
    assert measured.shown == (verdict in {"ok", "not judged"})
    assert Measurement.from_dict(measured.as_dict()) == measured


def test_margin_counts_only_what_is_known() -> None:
    """The distance of a bound to a limit that it cannot be held against is no margin."""
    measured = Measurement(name="t", value=33.0, low=15.0, high=60.0)
    assert measured.margin == 18.0
    bounded = Measurement(
        name="t", value=33.0, low=15.0, high=60.0, bound=Bound.AT_MOST
    )
    assert (bounded.margin, bounded.low_side) == (27.0, Side.OPEN)


def test_a_bound_has_no_uncertainty() -> None:
    """Neither zero nor any other."""
    with pytest.raises(ValueError, match="a bound is a number"):
        Measurement(name="t", value=1.0, uncertainty=0.0, bound=Bound.AT_MOST)


def test_journals_from_before_keep_their_bounds() -> None:
    """There the evidence alone said so, beside an uncertainty of zero."""
    result = CheckResult.from_dict(
        {
            "outcome": "passed",
            "measurements": [
                {"name": "presence_wait", "value": 33.3237, "unit": "us",
                 "uncertainty": 0.0, "high": 60, "beyond_doubt": True},
            ],
            "evidence": {"timing": {"presence_wait": {"bound": "at most"}}},
        }
    )  # fmt: skip
    assert value_row(result.measurements[0]).line == (
        "presence_wait = at most 33.4 us (limits at most 60) ok"
    )


def test_a_criterion_is_a_judgement() -> None:
    """A ROM code that was judged by its CRC is not called not judged."""
    code = Measurement(
        name="rom_code", value="3D0000A4B3C2D128", criterion="CRC and family right"
    )
    assert value_row(code).line == (
        "rom_code = 3D0000A4B3C2D128 (CRC and family right) ok"
    )
