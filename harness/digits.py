"""How numbers are printed: as many digits as they deserve, a bound as a bound.

Without an uncertainty a number has four significant digits. With one it ends where the
uncertainty ends, which has two significant digits at most (JCGM 100:2008, the GUM,
7.2.6). A bound has three, rounded away from the value that it bounds, so that what is
printed still holds. The whole part of a number is never rounded. No rounding may show a
value on the other side of its limit.
"""

from __future__ import annotations

import math
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal

from harness.records import Bound, Measurement, Scalar

SIGNIFICANT = 4
"""Digits of a number without an uncertainty (common practice of data sheets)."""

BOUND_SIGNIFICANT = 3
"""Digits of a bound: it is known no better than the step that it lies on."""

_MOST_DECIMALS = 9
_SMALLEST, _LARGEST = 1e-4, 1e9
"""Outside these an exponent is easier to read."""

_FINEST = 1e-7
"""Uncertainties below this need more decimals than anyone reads."""


def number_text(value: float, uncertainty: float | None = None) -> str:
    """A number without its unit, such as ``33.32``, ``2200`` or ``1.2e-06``.

    Args:
        value: any number; whole numbers of type ``int`` are printed whole.
        uncertainty: half width in the same unit; None or 0 where there is none.
    """
    if isinstance(value, int):
        return str(value)
    if not math.isfinite(value):
        return f"{value}"
    if uncertainty is not None and not math.isfinite(uncertainty):
        uncertainty = None
    if uncertainty and abs(uncertainty) < _FINEST:
        return f"{value:.{SIGNIFICANT - 1}e}"
    if uncertainty:
        return f"{value:.{_decimals_of(value, uncertainty)}f}"
    if value and not _SMALLEST <= abs(value) < _LARGEST:
        mantissa, power = f"{value:.{SIGNIFICANT - 1}e}".split("e")
        return f"{mantissa.rstrip('0').rstrip('.')}e{power}"
    return _plain(value, _decimals(value, SIGNIFICANT))


def uncertain_text(value: float, uncertainty: float | None) -> str:
    """``33.32 +- 0.21``; without an uncertainty the number alone."""
    text = number_text(value, uncertainty)
    if not uncertainty or not math.isfinite(uncertainty):
        return text
    return f"{text} +- {_doubt_text(value, uncertainty)}"


def _doubt_text(value: float, uncertainty: float) -> str:
    if uncertainty < _FINEST:
        return f"{uncertainty:.1e}"
    return f"{uncertainty:.{_decimals_of(float(value), uncertainty)}f}"


def limit_text(value: float) -> str:
    """A limit as it was stated, six digits at most; a computed one has four."""
    if isinstance(value, int) or not math.isfinite(value):
        return str(value)
    stated = f"{value:.6g}"
    if math.isclose(float(stated), value, rel_tol=1e-12) and "e" not in stated:
        return stated
    return number_text(value)


def limits_text(low: float | None, high: float | None) -> str:
    """``2 .. 6``, ``at least 2``, ``at most 6``, or empty without limits."""
    if low is not None and high is not None:
        return f"{limit_text(low)} .. {limit_text(high)}"
    if low is not None:
        return f"{Bound.AT_LEAST} {limit_text(low)}"
    return "" if high is None else f"{Bound.AT_MOST} {limit_text(high)}"


def span_text(low: float, high: float, *, from_zero: bool = False) -> str:
    """``13 to 22``, or one number where both print alike.

    Args:
        low: the lower end.
        high: the upper end.
        from_zero: a lower end of zero says nothing: the span is an upper bound.
    """
    if from_zero and low <= 0:
        return bound_text(high, Bound.AT_MOST)
    lowest, highest = number_text(low), number_text(high)
    return lowest if lowest == highest else f"{lowest} to {highest}"


def bound_text(value: float, bound: Bound, significant: int = BOUND_SIGNIFICANT) -> str:
    """``at most 33.4``, rounded so that it still holds.

    Args:
        value: the bound.
        bound: on which side of it the true value lies.
        significant: digits; more where the bound is computed and not a step of a ladder.
    """
    return _bounded(float(value), bound, significant)


def _bound_amount(value: float, bound: Bound, measured: Measurement) -> str:
    """A bound with as many digits as keep it on its side of each limit."""
    for digits in range(BOUND_SIGNIFICANT, 13):
        text = _bounded(value, bound, digits)
        if _faithful(text.rsplit(" ", 1)[1], measured):
            return text
    return f"{bound} {measured.value!r}"


def _faithful_number(value: float, measured: Measurement) -> str:
    """A number with as many decimals as keep it on its side of each limit."""
    text = number_text(value, measured.uncertainty)
    for decimals in range(_MOST_DECIMALS + 1):
        if _faithful(text, measured):
            return text
        if decimals >= len(text.partition(".")[2]):
            text = f"{value:.{decimals}f}"
    return repr(value)


def amount_text(measured: Measurement) -> str:
    """A measured value in words, without its unit.

    Rounding never moves it across a limit, nor onto one that it does not equal.
    """
    value = measured.value
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str) or not math.isfinite(value):
        return str(value)
    if measured.bound is not None:
        return _bound_amount(float(value), measured.bound, measured)
    text = _faithful_number(value, measured)
    if measured.uncertainty and math.isfinite(measured.uncertainty):
        return f"{text} +- {_doubt_text(value, measured.uncertainty)}"
    return text


def quantity_text(measured: Measurement) -> str:
    """As ``amount_text``, with the unit: ``at most 33.4 us``, ``25.06 degC``."""
    return f"{amount_text(measured)} {measured.unit}".rstrip()


def plain_text(value: Scalar, unit: str = "") -> str:
    """A number, text or truth value with its unit, where nothing else is known of it."""
    return quantity_text(Measurement(name="", value=value, unit=unit))


def _faithful(text: str, measured: Measurement) -> bool:
    """True if a reader of text and limits would judge as the exact numbers do."""
    value, shown = float(measured.value), float(text)
    return all(
        (shown > float(limit_text(limit))) - (shown < float(limit_text(limit)))
        == (value > limit) - (value < limit)
        for limit in (measured.low, measured.high)
        if limit is not None and math.isfinite(limit)
    )


def _decimals(value: float, significant: int) -> int:
    """Decimals that give so many significant digits; 0 for a long whole part."""
    if value == 0:
        return 0
    # rounded first: 0.996 with two digits is 1.0, not 1.00
    rounded = float(f"{abs(value):.{significant - 1}e}")
    places = significant - 1 - math.floor(math.log10(rounded))
    return min(_MOST_DECIMALS, max(0, places))


def _decimals_of(value: float, uncertainty: float) -> int:
    """Decimals that the uncertainty supports: it shows one or two digits, never none."""
    fewest, most = _decimals(uncertainty, 1), _decimals(uncertainty, 2)
    return max(fewest, min(most, _decimals(value, SIGNIFICANT) if value else most))


def _plain(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text


def _bounded(value: float, bound: Bound, significant: int) -> str:
    if value == 0 or not math.isfinite(value):
        return f"{bound} {number_text(value)}"
    exact = Decimal(repr(value))
    step = Decimal(1).scaleb(min(0, exact.adjusted() - significant + 1))
    # what a float cannot hold, such as 0.1 + 0.2, is no reason to round away from it
    near = exact.quantize(step, ROUND_HALF_EVEN)
    if not math.isclose(float(near), value, rel_tol=1e-12):
        away = ROUND_CEILING if bound is Bound.AT_MOST else ROUND_FLOOR
        near = exact.quantize(step, away)
    rounded = float(near)
    if not _SMALLEST <= abs(rounded) < _LARGEST:
        return f"{bound} {rounded:.{significant - 1}e}"
    return f"{bound} {_plain(rounded, max(0, -int(step.as_tuple().exponent)))}"


def duration_text(seconds: float) -> str:
    """A duration as people say it: ``18 ms``, ``4.2 s``, ``3 min 20 s``, ``7 h 59 min``."""
    if seconds < 1:
        return f"{seconds * 1e3:.0f} ms"
    if seconds < 59.95:
        return f"{seconds:.1f} s"
    minutes, rest_s = divmod(round(seconds), 60)
    if minutes < 60:
        return f"{minutes} min {rest_s} s"
    return f"{minutes // 60} h {minutes % 60} min"
