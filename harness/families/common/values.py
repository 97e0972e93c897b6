"""Values of settings as plans give them, checked in the same words everywhere."""

from __future__ import annotations

from collections.abc import Iterable

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
    # float first: int() of an infinite value raises
    if not is_number or not low <= float(value) <= high or float(value) % 1:
        raise UsageError(
            f"{name} takes a whole number from {low} to {high}, got {value!r}"
        )
    return int(value)


def is_on_off(choices: Iterable[Scalar]) -> bool:
    """True if all choices are truth values, or on and off."""
    known = list(choices)
    # by type: in a set 1 and True are one
    return all(isinstance(c, bool) for c in known) or set(known) <= {"on", "off"}


def one_of(name: str, value: Scalar, choices: Iterable[Scalar], allowed: str) -> Scalar:
    """One of the values that a setting can have; on and off may be truth values.

    Args:
        name: of the setting.
        value: as the plan gives it.
        choices: words or numbers; truth values are written as on or off.
        allowed: the same in words, for the message.

    Raises:
        UsageError: none of them.
    """
    known = list(choices)
    if is_on_off(known):
        on = on_off(name, value)
        return on if isinstance(known[0], bool) else ("off", "on")[on]
    if isinstance(value, bool) or value not in known:
        raise UsageError(f"{name} takes {allowed}, got {value!r}")
    return value
