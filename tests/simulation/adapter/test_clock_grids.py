"""Achieved rates against the formulas of drivers/usb/serial of the Linux kernel."""

from __future__ import annotations

import pytest

from harness.simulation.adapter.clock_grids import achieved_baud
from harness.simulation.settings.bench import ClockKind

FRACTIONAL = ClockKind.FRACTIONAL_DIVIDER
FAST = ClockKind.FAST_FRACTIONAL_DIVIDER
INTEGER = ClockKind.INTEGER_DIVIDER
PRESCALED = ClockKind.PRESCALED_DIVIDER
MANTISSA = ClockKind.MANTISSA_EXPONENT
WIDE = ClockKind.WIDE_MANTISSA_EXPONENT


@pytest.mark.parametrize(
    ("kind", "baud", "error_ppm"),
    [
        (FRACTIONAL, 9600, 0),
        (FRACTIONAL, 10_400, -133),
        (FRACTIONAL, 57_600, -799),
        (FRACTIONAL, 115_200, 1603),
        (FRACTIONAL, 150_000, 0),
        (FRACTIONAL, 460_800, 1603),
        (FRACTIONAL, 1_000_000, 0),
        (FAST, 10_400, -25),
        (FAST, 57_600, -200),
        (FAST, 115_200, 400),
        (FAST, 230_400, -799),
        (INTEGER, 9600, 0),
        (INTEGER, 115_200, 1603),
        (PRESCALED, 9600, 1603),
        (PRESCALED, 10_400, 1603),
        (PRESCALED, 57_600, 1603),
        (PRESCALED, 150_000, 0),
        (MANTISSA, 9600, 0),
        (MANTISSA, 10_400, 1603),
        (MANTISSA, 150_000, 0),
        (WIDE, 10_400, 734),
        (WIDE, 150_000, 0),
        (ClockKind.EXACT, 142_857, 0),
    ],
)
def test_error_of_the_request(kind: ClockKind, baud: int, error_ppm: int) -> None:
    """Deviation from the request in ppm, as the kernel's algorithms give it."""
    got_ppm = (achieved_baud(kind, baud) / baud - 1) * 1e6
    assert got_ppm == pytest.approx(error_ppm, abs=1)


@pytest.mark.parametrize(
    ("request_baud", "made_baud"),
    [
        (9612, 9600),
        (9613, 14_400),
        (10_400, 14_400),
        (129_348, 153_600),
        (150_000, 153_600),
        (156_868, 153_600),
        (57, 300),
        (300, 300),
        (999_999, 921_600),
        (10_000_000, 1_000_000),
    ],
)
def test_old_chips_know_a_table_only(request_baud: int, made_baud: int) -> None:
    """Ranges of requests that map to one rate."""
    assert achieved_baud(ClockKind.RATE_TABLE, request_baud) == made_baud


@pytest.mark.parametrize(
    ("baud", "divisor"),
    [(7200, 416.625), (8000, 375), (115_200, 26), (921_600, 3.25), (187_500, 16)],
)
def test_eighths_of_the_fractional_divider(baud: int, divisor: float) -> None:
    """3 MHz over n + k/8, from the divider of application note AN232B-05."""
    assert achieved_baud(FRACTIONAL, baud) == pytest.approx(3e6 / divisor)


def test_too_fast_a_request_falls_back() -> None:
    """Above 3 MBd the driver sets 9600; between 1.5 and 3 MBd there is only 2 MBd."""
    assert achieved_baud(FRACTIONAL, 3_500_000) == 9600
    assert achieved_baud(FRACTIONAL, 1_900_000) == 2_000_000
    assert achieved_baud(FRACTIONAL, 3_000_000) == 3_000_000


@pytest.mark.parametrize("kind", list(ClockKind))
def test_rates_near_the_request_are_near(kind: ClockKind) -> None:
    """Every chip but the table comes within 1.4 % of any rate a slot needs."""
    if kind is ClockKind.RATE_TABLE:
        return
    for baud in range(50_000, 200_000, 777):
        assert achieved_baud(kind, baud) == pytest.approx(baud, rel=0.014)


def test_no_rate_is_an_error() -> None:
    """Zero and below cannot be made."""
    with pytest.raises(ValueError, match="positive"):
        achieved_baud(FRACTIONAL, 0)
