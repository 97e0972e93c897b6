"""Values of settings as plans give them, checked in the same words everywhere."""

from __future__ import annotations

from harness.errors import UsageError
from harness.records import Scalar


def on_off(name: str, value: Scalar) -> bool:
    """True for on; a bare on or off that a loader made a truth value of counts too.

    Raises:
        UsageError: neither on nor off.
    """
    if isinstance(value, bool):
        return value
    if value not in {"on", "off"}:
        raise UsageError(f"{name} takes on or off, got {value!r}")
    return value == "on"


def number(name: str, value: Scalar, low: float, high: float) -> float:
    """A number within bounds.

    Raises:
        UsageError: no number, or out of bounds.
    """
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if not is_number or not low <= float(value) <= high:
        raise UsageError(
            f"{name} takes a number from {low:g} to {high:g}, got {value!r}"
        )
    return float(value)


def whole(name: str, value: Scalar, low: int, high: int) -> int:
    """A whole number within bounds.

    Raises:
        UsageError: no whole number, or out of bounds.
    """
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if not is_number or value != int(value) or not low <= int(value) <= high:
        raise UsageError(
            f"{name} takes a whole number from {low} to {high}, got {value!r}"
        )
    return int(value)
