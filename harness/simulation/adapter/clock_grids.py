"""Which rates the chips behind USB serial adapters really make.

Own implementation of the published divisor rules, kept apart from the driver's on
purpose. Formulas: drivers/usb/serial of the Linux kernel and application note
AN232B-05; the table of the old fixed-rate chips is from memory of the maker's
application note 205.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable

from harness.simulation.settings.bench import ClockKind

_TABLE_UP_TO = (
    (300, 300),
    (600, 600),
    (1200, 1200),
    (1800, 1800),
    (2400, 2400),
    (4000, 4000),
    (4803, 4800),
    (7207, 7200),
    (9612, 9600),
    (14428, 14400),
    (16062, 16000),
    (19250, 19200),
    (28912, 28800),
    (38601, 38400),
    (51558, 51200),
    (56280, 56000),
    (58053, 57600),
    (64111, 64000),
    (77608, 76800),
    (117028, 115200),
    (129347, 128000),
    (156868, 153600),
    (237832, 230400),
    (254234, 250000),
    (273066, 256000),
    (491520, 460800),
    (567138, 500000),
    (670254, 576000),
    (999_999, 921600),
    (1 << 32, 1_000_000),
)
"""Highest request -> rate made."""

_DIRECT = frozenset(
    (
        75,
        150,
        300,
        600,
        1200,
        1800,
        2400,
        3600,
        4800,
        7200,
        9600,
        14400,
        19200,
        28800,
        38400,
        57600,
        115200,
        230400,
        460800,
        614400,
        921600,
        1228800,
        2457600,
        3000000,
        6000000,
    )
)
"""Rates that some chips take as a number; made exactly as far as is published."""


def _nearest(top_hz: float, baud: float, lowest: int = 1) -> float:
    """``top_hz`` over the whole number that comes nearest."""
    return top_hz / max(lowest, int(top_hz / baud + 0.5))


def _fractional(baud: float) -> float:
    if baud > 3_000_000:
        return 9600.0  # the driver falls back
    rate = _nearest(24e6, baud, lowest=8)
    if rate > 1_500_000:  # between divisors 1 and 2 there is only 1.5
        return min((1.5e6, 2e6, 3e6), key=lambda made: abs(made - baud))
    return rate


def _fast_fractional(baud: float) -> float:
    if baud < 1200:
        return _fractional(baud)
    return _nearest(96e6, min(baud, 12e6), lowest=8)


def _integer(baud: float) -> float:
    prescaler = 4 if baud < 365 else 1
    return _nearest(48e6 / (2 * prescaler), baud)


def _table(baud: float) -> float:
    place = bisect_left(_TABLE_UP_TO, (baud, 0))
    return float(_TABLE_UP_TO[place][1])


def _prescaled(baud: float) -> float:
    rates = []
    for prescale in range(4):
        for factor in (0, 1):
            top_hz = 48e6 / (1 << 12 - 3 * prescale - factor)
            divisor = int(top_hz / baud + 0.5)
            lowest = 9 if factor else 2
            rates.append(top_hz / min(256, max(lowest, divisor)))
    return min(rates, key=lambda rate: abs(rate - baud))


def _mantissa(baud: float, *, limit: int, shift: int, most: int) -> float:
    if baud in _DIRECT:
        return float(baud)
    mantissa, exponent = int(384e6 / baud), 0
    while mantissa >= limit and exponent < most:
        mantissa >>= shift
        exponent += 1
    mantissa = max(1, min(mantissa, limit - 1))
    return 384e6 / float(mantissa * (1 << shift * exponent))


_RULES: dict[ClockKind, Callable[[float], float]] = {
    ClockKind.FRACTIONAL_DIVIDER: _fractional,
    ClockKind.FAST_FRACTIONAL_DIVIDER: _fast_fractional,
    ClockKind.INTEGER_DIVIDER: _integer,
    ClockKind.RATE_TABLE: _table,
    ClockKind.PRESCALED_DIVIDER: _prescaled,
    ClockKind.MANTISSA_EXPONENT: lambda baud: _mantissa(
        baud, limit=512, shift=2, most=7
    ),
    ClockKind.WIDE_MANTISSA_EXPONENT: lambda baud: _mantissa(
        baud, limit=2048, shift=1, most=15
    ),
    ClockKind.EXACT: lambda baud: baud,
}


def achieved_baud(kind: ClockKind, baud: float) -> float:
    """The rate that a chip with a perfect oscillator makes of a request.

    Raises:
        ValueError: the request is not positive.
    """
    if baud <= 0:
        raise ValueError(f"a baud rate is positive, got {baud}")
    return _RULES[kind](baud)
