"""Rates that adapter chips really make, against the published driver algorithms."""

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.wire.clock_grid import GRIDS, grid_of_kind

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


# cp210x_an205_table1 of drivers/usb/serial/cp210x.c: rate made, highest request for it.
AN205 = (
    (300, 300), (600, 600), (1200, 1200), (1800, 1800), (2400, 2400), (4000, 4000),
    (4800, 4803), (7200, 7207), (9600, 9612), (14400, 14428), (16000, 16062),
    (19200, 19250), (28800, 28912), (38400, 38601), (51200, 51558), (56000, 56280),
    (57600, 58053), (64000, 64111), (76800, 77608), (115200, 117028),
    (128000, 129347), (153600, 156868), (230400, 237832), (250000, 254234),
    (256000, 273066), (460800, 491520), (500000, 567138), (576000, 670254),
)  # fmt: skip


def test_every_row_of_the_rate_table() -> None:
    """The highest request of a row, the lowest of the next, and the rate itself."""
    made = GRIDS["rate-table"].achieved
    for (rate, highest), (following, _) in pairwise((*AN205, (921_600, 0))):
        assert (made(rate), made(highest), made(highest + 1)) == (rate, rate, following)


@pytest.mark.parametrize(
    ("kind", "request_baud", "rate_baud"),
    [
        # Divisors below 2 are no divisors of a sixteenth (AN232B-05, table of divisors).
        ("fractional-divider", 1_500_000, 3e6 / 2),
        ("fractional-divider", 1_411_764, 3e6 / 2.125),
        # ftdi_sio.c: 12 MHz from 1200 baud on, 3 MHz below.
        ("fast-fractional-divider", 1200, 12e6 / 10_000),
        ("fast-fractional-divider", 1201, 12e6 / 9991.625),
        ("fast-fractional-divider", 1199, 3e6 / 2502.125),
        ("fast-fractional-divider", 6_000_000, 12e6 / 2),
        # cp210x_get_actual_rate: prescaler 4 up to 365 baud, 1 above.
        ("integer-divider", 365, 48e6 / (8 * 16_438)),
        ("integer-divider", 366, 48e6 / (2 * 65_574)),
        # DIV_ROUND_CLOSEST: 312.5, 62.5 and 12.5 go up, 3.4999998 does not.
        ("integer-divider", 76_800, 48e6 / (2 * 313)),
        ("integer-divider", 384_000, 48e6 / (2 * 63)),
        ("integer-divider", 1_920_000, 48e6 / (2 * 13)),
        ("integer-divider", 6_857_143, 48e6 / (2 * 3)),
        ("integer-divider", 6_857_142, 48e6 / (2 * 4)),
        ("integer-divider", 24_000_000, 24e6),
        ("integer-divider", 60_000_000, 24e6),
        # ch341_get_divisor: the register holds 256 less the divisor in eight bits, so 256
        # is the highest; 2 is the lowest, and 9 with the base clock that is not halved.
        ("prescaled-divider", 45, 48e6 / (4096 * 256)),
        ("prescaled-divider", 92, 48e6 / (2048 * 255)),
        # odd divisors above 128 belong to one prescaler each
        ("prescaled-divider", 466, 48e6 / (512 * 201)),
        ("prescaled-divider", 3731, 48e6 / (64 * 201)),
        ("prescaled-divider", 29_851, 48e6 / (8 * 201)),
        ("prescaled-divider", 2_000_000, 48e6 / (8 * 3)),
        ("prescaled-divider", 3_000_000, 48e6 / (8 * 2)),
        ("prescaled-divider", 9_000_000, 48e6 / (8 * 2)),
        ("prescaled-divider", 1_333_333, 48e6 / (4 * 9)),
        ("prescaled-divider", 1_714_286, 48e6 / (4 * 8)),
        # pl2303_encode_baud_rate_divisor: nine bits of mantissa, exponents of four to 7.
        ("mantissa-exponent", 45, 384e6 / (511 * 4**7)),
        ("mantissa-exponent", 1000, 384e6 / (375 * 4**5)),
        ("mantissa-exponent", 751_000, 384e6 / 511),
        ("mantissa-exponent", 749_000, 384e6 / (128 * 4)),
        ("mantissa-exponent", 5_999_999, 384e6 / 64),
        # pl2303_encode_baud_rate_divisor_alt: eleven bits, exponents of two in four bits.
        ("wide-mantissa-exponent", 1000, 384e6 / (1500 * 2**8)),
        ("wide-mantissa-exponent", 5, 384e6 / (2047 * 2**15)),
        ("wide-mantissa-exponent", 187_501, 384e6 / 2047),
        ("wide-mantissa-exponent", 187_499, 384e6 / (1024 * 2)),
    ],
)
def test_ends_of_the_dividers(kind: str, request_baud: int, rate_baud: float) -> None:
    """What the registers can hold ends somewhere (drivers/usb/serial of the Linux kernel)."""
    assert GRIDS[kind].achieved(request_baud) == pytest.approx(rate_baud, rel=1e-9)


@pytest.mark.parametrize("kind", ["mantissa-exponent", "wide-mantissa-exponent"])
def test_rates_that_the_chip_takes_by_their_name(kind: str) -> None:
    """The first ones of pl2303.c and the customary ones are made exactly."""
    for rate in (75, 150, 300, 600, 1200, 1800, 9600, 115_200, 230_400, 3_000_000):
        assert GRIDS[kind].achieved(rate) == rate


def test_rates_named_in_the_application_note() -> None:
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


# pl2303_supported_bauds of drivers/usb/serial/pl2303.c: made exactly, by their name.
BY_NAME = (
    75, 150, 300, 600, 1200, 1800, 2400, 3600, 4800, 7200, 9600, 14400, 19200, 28800,
    38400, 57600, 115200, 230400, 460800, 614400, 921600, 1228800, 2457600, 3000000,
    6000000,
)  # fmt: skip


@pytest.mark.parametrize("rate", BY_NAME)
def test_rates_by_name_and_beside_them(rate: int) -> None:
    """One baud off a name the divider makes what it can, which is never that."""
    made = GRIDS["mantissa-exponent"].achieved
    assert made(rate) == rate
    for beside in (rate - 1, rate + 1):
        assert made(beside) != beside


# Error of the clock in ppm, highest rate, stop bits: data sheets of parts FT232R, FT2232H,
# CP2102 to CP2105, CH340 and PL2303 as far as they say so, else from memory; the last two
# are our own, for a port that makes any rate and for one of which nothing is known.
CHIPS = {
    "fractional-divider": (1667, 3_000_000, (1, 2)),
    "fast-fractional-divider": (50, 12_000_000, (1, 2)),
    "integer-divider": (2500, 2_000_000, (1, 2)),
    "rate-table": (2500, 1_000_000, (1, 2)),
    "prescaled-divider": (3000, 2_000_000, (1, 2)),
    "mantissa-exponent": (100, 6_000_000, (1, 2)),
    "wide-mantissa-exponent": (2500, 6_000_000, (1, 2)),
    "exact": (0, 3_000_000, (1, 2)),
    "unknown": (10_000, 921_600, (1,)),
}


@pytest.mark.parametrize("kind", GRIDS)
def test_what_a_chip_promises(kind: str) -> None:
    """Clock, highest rate, stop bits; a 16-fold receiver; any rate but of the unknown."""
    grid = GRIDS[kind]
    assert (grid.tolerance_ppm, grid.fastest_baud, grid.stop_bits) == CHIPS[kind]
    assert grid.oversampling == 16
    assert grid.free is (kind != "unknown")
    assert grid_of_kind(kind, None) is grid
    given = grid_of_kind(kind, 7.5)
    assert (given.tolerance_ppm, given.achieved) == (7.5, grid.achieved)


@pytest.mark.parametrize(
    ("kind", "clock_hz", "steps"),
    [("fractional-divider", 3e6, 8), ("integer-divider", 24e6, 1)],
)
@SEEDED
@given(request_baud=st.integers(400, 1_400_000))
def test_a_divider_makes_the_nearest_divisor(
    kind: str, clock_hz: float, steps: int, request_baud: int
) -> None:
    """Of whole divisors (or eighths) the one next to what is asked for."""
    divisor = clock_hz * steps / request_baud
    made = clock_hz * steps / GRIDS[kind].achieved(request_baud)
    assert made == pytest.approx(round(made))
    assert abs(made - divisor) <= 0.5 + 1e-6
