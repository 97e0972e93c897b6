"""Rates that adapter chips really make, against the published driver algorithms."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.wire.clock_grid import GRIDS

SEEDED = settings(derandomize=True, deadline=None)

# Error in ppm of the request, computed from the Linux drivers' algorithms
# (drivers/usb/serial of the Linux kernel; rows are requests, columns chip classes).
PUBLISHED_PPM = {
    9600: {"fractional-divider": 0, "prescaled-divider": 1603, "integer-divider": 0},
    10400: {
        "fractional-divider": -133,
        "fast-fractional-divider": -25,
        "integer-divider": -133,
        "prescaled-divider": 1603,
        "mantissa-exponent": 1603,
        "wide-mantissa-exponent": 734,
    },
    57600: {
        "fractional-divider": -799,
        "fast-fractional-divider": -200,
        "integer-divider": -799,
        "prescaled-divider": 1603,
    },
    115200: {
        "fractional-divider": 1603,
        "fast-fractional-divider": 400,
        "integer-divider": 1603,
        "prescaled-divider": 1603,
    },
    150000: dict.fromkeys(
        (
            "fractional-divider",
            "fast-fractional-divider",
            "integer-divider",
            "prescaled-divider",
            "mantissa-exponent",
            "wide-mantissa-exponent",
        ),
        0,
    ),
    230400: {"fractional-divider": 1603, "fast-fractional-divider": -799},
    460800: {"fractional-divider": 1603, "fast-fractional-divider": 1603},
}


@pytest.mark.parametrize(
    ("request_baud", "kind", "ppm"),
    [
        (baud, kind, ppm)
        for baud, row in PUBLISHED_PPM.items()
        for kind, ppm in row.items()
    ],
)
def test_error_of_the_drivers_algorithm(request_baud: int, kind: str, ppm: int) -> None:
    """Each grid makes the rate that its driver's algorithm makes."""
    assert round(GRIDS[kind].error_ppm(request_baud)) == ppm


@pytest.mark.parametrize(
    ("request_baud", "rate_baud"),
    [
        (10400, 14400),
        (14428, 14400),
        (129348, 153600),
        (57, 300),
        (300, 300),
        (150000, 153600),
    ],
)
def test_rate_table(request_baud: int, rate_baud: int) -> None:
    """The fixed table maps whole ranges to one rate (application note AN205)."""
    assert GRIDS["rate-table"].achieved(request_baud) == rate_baud


def test_rates_named_in_the_facts() -> None:
    """7200 asks for divisor 416.625, 10400 for 288.5, 921600 for 3.25 (AN232B-05)."""
    grid = GRIDS["fractional-divider"]
    assert grid.achieved(7200) == pytest.approx(3e6 / 416.625)
    assert grid.achieved(10400) == pytest.approx(3e6 / 288.5)
    assert grid.achieved(921600) == pytest.approx(3e6 / 3.25)


# Largest step between neighbouring rates near 150 kbaud (arithmetic of the formulas), relative.
STEPS_NEAR_150K = {
    "fractional-divider": 0.0067,
    "fast-fractional-divider": 0.0017,
    "integer-divider": 0.0067,
    "prescaled-divider": 0.0133,
    "mantissa-exponent": 0.0067,
    "wide-mantissa-exponent": 0.00084,
}


@pytest.mark.parametrize(("kind", "step"), STEPS_NEAR_150K.items())
@SEEDED
@given(request_baud=st.integers(100_000, 160_000))
def test_never_further_off_than_the_grid_is_coarse(
    kind: str, step: float, request_baud: int
) -> None:
    """The achieved rate is within one published step of the request."""
    assert abs(GRIDS[kind].achieved(request_baud) / request_baud - 1) <= step * 1.1
