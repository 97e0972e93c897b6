"""Which rates an adapter can really make.

A UART divides a fixed clock, so the rate asked for and the rate got differ. The
limits of the bus must be checked against the rate got. Grids are named after
the way the chip divides; the formulas are those of the Linux kernel's USB serial
drivers for the common chips and of application note AN232B-05.

``tolerance_ppm`` is what the chip's own clock may be off on top of that.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockGrid:
    """One chip class: the rate it makes for a rate asked for.

    Attributes:
        kind: our name for the chip class, as written in a fixture.
        achieved: request in baud -> rate in baud before the clock's own error.
        tolerance_ppm: largest error of the chip's clock.
        free: True if any rate may be asked for; False if only customary ones.
        note: the basis of ``tolerance_ppm``.
        fastest_baud: highest rate that the chip's data sheet promises.
        stop_bits: what the chip offers after a character; two are in the data sheets
            of parts FT232R, CP2102/4 and CH340, for the others from memory.
        oversampling: steps a bit in which the receiver finds the falling edge; not
            published for these chips, 16 is the common figure.
    """

    kind: str
    achieved: Callable[[int], float]
    tolerance_ppm: float
    free: bool = True
    note: str = ""
    fastest_baud: int = 3_000_000
    stop_bits: tuple[int, ...] = (1, 2)
    oversampling: int = 16

    def error_ppm(self, request_baud: int) -> float:
        """Error of the achieved rate against the request, without clock error."""
        return (self.achieved(request_baud) / request_baud - 1) * 1e6


def _eighths(clock_hz: int, request_baud: int) -> float:
    eighths = (2 * 8 * clock_hz + request_baud) // (2 * request_baud)
    if eighths < 16:  # divisors 0 and 1 stand for 1 and 1.5, nothing else is below 2
        made = (clock_hz / 2, clock_hz / 1.5, float(clock_hz))
        return min(made, key=lambda rate: abs(rate - request_baud))
    return 8 * clock_hz / eighths


def _fractional(request_baud: int) -> float:
    return _eighths(3_000_000, request_baud)


def _fast_fractional(request_baud: int) -> float:
    return _eighths(12_000_000 if request_baud >= 1200 else 3_000_000, request_baud)


def _integer(request_baud: int) -> float:
    # a tie goes up, as DIV_ROUND_CLOSEST has it: 76800 baud ask for 312.5
    doubled = 2 * (4 if request_baud <= 365 else 1)
    wanted = doubled * request_baud
    divisor = max(1, (48_000_000 + wanted // 2) // wanted)
    return 48_000_000 / (doubled * divisor)


# Highest request that is mapped to each rate: application note AN205 and the
# Linux driver, upper bounds from memory except 300, 14400 and 153600; from 1 Mbaud on
# the driver (cp210x_change_speed) does not ask the table.
_TABLE = (
    (300, 300), (600, 600), (1200, 1200), (1800, 1800), (2400, 2400),
    (4000, 4000), (4803, 4800), (7207, 7200), (9612, 9600), (14428, 14400),
    (16062, 16000), (19250, 19200), (28912, 28800), (38601, 38400),
    (51558, 51200), (56280, 56000), (58053, 57600), (64111, 64000),
    (77608, 76800), (117028, 115200), (129347, 128000), (156868, 153600),
    (237832, 230400), (254234, 250000), (273066, 256000), (491520, 460800),
    (567138, 500000), (670254, 576000), (999_999, 921600),
)  # fmt: skip


def _table(request_baud: int) -> float:
    for bound_baud, rate_baud in _TABLE:
        if request_baud <= bound_baud:
            return float(rate_baud)
    return 1_000_000.0


@lru_cache(maxsize=4096)
def _prescaled(request_baud: int) -> float:
    # exponents 12-3*ps-f for ps 0..3; f = 1 (the odd ones here) needs d >= 9
    rates = []
    for exponent, smallest in (
        (12, 2),
        (11, 9),
        (9, 2),
        (8, 9),
        (6, 2),
        (5, 9),
        (3, 2),
        (2, 9),
    ):
        exact = 48_000_000 / ((1 << exponent) * request_baud)
        for divisor in (int(exact), int(exact) + 1):
            rates.append(
                48_000_000 / ((1 << exponent) * min(256, max(smallest, divisor)))
            )
    return min(rates, key=lambda rate: abs(rate - request_baud))


# From memory; pl2303.c of the Linux kernel names the first ones and the count of 25.
_DIRECT = frozenset({
    75, 150, 300, 600, 1200, 1800, 2400, 3600, 4800, 7200, 9600, 14400, 19200,
    28800, 38400, 57600, 115200, 230400, 460800, 614400, 921600, 1228800,
    2457600, 3000000, 6000000,
})  # fmt: skip


def _mantissa(request_baud: int, limit: int, shift: int, highest: int) -> float:
    if request_baud in _DIRECT:
        return float(request_baud)
    mantissa, exponent = 384_000_000 // request_baud, 0
    while mantissa >= limit and exponent < highest:
        mantissa >>= shift
        exponent += 1
    return 384_000_000 / (max(1, min(mantissa, limit - 1)) << (exponent * shift))


def _mantissa_exponent(request_baud: int) -> float:
    return _mantissa(request_baud, 512, 2, 7)


def _wide_mantissa_exponent(request_baud: int) -> float:
    return _mantissa(request_baud, 2048, 1, 15)


GRIDS = {
    grid.kind: grid
    for grid in (
        ClockGrid(
            kind="fractional-divider",
            achieved=_fractional,
            tolerance_ppm=1667,
            note="internal oscillator, from memory",
        ),
        ClockGrid(
            kind="fast-fractional-divider",
            fastest_baud=12_000_000,
            achieved=_fast_fractional,
            tolerance_ppm=50,
            note="crystal, from memory",
        ),
        ClockGrid(
            kind="integer-divider",
            fastest_baud=2_000_000,
            achieved=_integer,
            tolerance_ppm=2500,
            note="internal oscillator, data sheet of part CP2104",
        ),
        ClockGrid(
            kind="rate-table",
            fastest_baud=1_000_000,
            achieved=_table,
            tolerance_ppm=2500,
            note="internal oscillator, as the integer divider (from memory)",
        ),
        ClockGrid(
            kind="prescaled-divider",
            fastest_baud=2_000_000,
            achieved=_prescaled,
            tolerance_ppm=3000,
            note="external crystal, data sheet of part CH340",
        ),
        ClockGrid(
            kind="mantissa-exponent",
            fastest_baud=6_000_000,
            achieved=_mantissa_exponent,
            tolerance_ppm=100,
            note="12 MHz crystal, from memory",
        ),
        ClockGrid(
            kind="wide-mantissa-exponent",
            fastest_baud=6_000_000,
            achieved=_wide_mantissa_exponent,
            tolerance_ppm=2500,
            note="internal oscillator, from memory",
        ),
        ClockGrid(
            kind="exact",
            achieved=float,
            tolerance_ppm=0,
            note="a port that makes any rate",
        ),
        ClockGrid(
            kind="unknown",
            fastest_baud=921_600,
            achieved=float,
            tolerance_ppm=10_000,
            free=False,
            note="nothing is known: customary rates only, 1 % clock",
            stop_bits=(1,),
        ),
    )
}
"""Every chip class by its name in a fixture."""


def grid_of_kind(kind: str, tolerance_ppm: float | None) -> ClockGrid:
    """The grid of a kind, with the tolerance that a fixture gives in place of its own."""
    grid = GRIDS[kind]
    if tolerance_ppm is None:
        return grid
    return replace(grid, tolerance_ppm=tolerance_ppm, note="given in the fixture")
