"""Values of settings: taken as meant, or refused in words."""

from __future__ import annotations

import pytest

from harness.errors import UsageError
from harness.families.common.values import number, on_off, whole


@pytest.mark.parametrize(
    ("value", "expected"), [("on", True), ("off", False), (True, True), (False, False)]
)
def test_on_off(value: str | bool, expected: bool) -> None:
    """The words, and what a loader may make of them."""
    assert on_off("channel_a_output", value) is expected


@pytest.mark.parametrize("value", ["On", "", 1, 0.0])
def test_neither_on_nor_off(value: str | float) -> None:
    """Anything else is refused by name."""
    with pytest.raises(UsageError, match="channel_a_output takes on or off"):
        on_off("channel_a_output", value)


def test_numbers() -> None:
    """Bounds belong to the range; a whole float is a whole number."""
    assert number("x_v", 5, 0, 5) == 5.0
    assert whole("x", 5.0, 0, 5) == 5
    assert isinstance(whole("x", 5.0, 0, 5), int)


@pytest.mark.parametrize("value", [True, "1", -0.1, 5.1])
def test_no_such_number(value: str | float) -> None:
    """Truth values, texts and what lies outside are refused by both."""
    with pytest.raises(UsageError, match="x takes a number from 0 to 5"):
        number("x", value, 0, 5)
    with pytest.raises(UsageError, match="x takes a whole number from 0 to 5"):
        whole("x", value, 0, 5)


def test_no_whole_number() -> None:
    """A half is a number, and not whole."""
    assert number("x", 0.5, 0, 5) == 0.5
    with pytest.raises(UsageError):
        whole("x", 0.5, 0, 5)
