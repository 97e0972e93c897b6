"""Calendar bytes of device clocks: worked bytes, there and back, what is none."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import AnswerImpossible
from harness.families.common.timekeeping import (
    calendar_bytes,
    calendar_of,
    from_bcd,
    to_bcd,
)

NOON = datetime(2025, 9, 15, 12, 30, tzinfo=UTC)
SECONDS = st.integers(0, 100 * 365 * 86_400)


@pytest.mark.parametrize(
    ("weekday", "block"),
    [(True, "00 30 12 01 15 09 25"), (False, "00 30 12 15 09 25")],
)
def test_worked_bytes(*, weekday: bool, block: str) -> None:
    """12:30:00 on Monday, 2025-09-15, in the registers of DS1921G p. 10 and DS1922L p. 18."""
    assert calendar_bytes(NOON, weekday=weekday) == bytes.fromhex(block)
    assert calendar_of(bytes.fromhex(block), weekday=weekday) == NOON


@given(SECONDS, st.booleans())
def test_there_and_back(seconds: int, weekday: bool) -> None:
    """Every second of a century is itself again."""
    when = datetime(2000, 1, 1, tzinfo=UTC) + timedelta(
        seconds=seconds % (36_524 * 86_400)
    )
    assert calendar_of(calendar_bytes(when, weekday=weekday), weekday=weekday) == when


def test_century_bit() -> None:
    """Bit 7 of the month: 2100 on (from memory)."""
    block = bytes.fromhex("00 00 00 01 81 05")
    assert calendar_of(block, weekday=False).year == 2105


@pytest.mark.parametrize(
    ("block", "words"),
    [
        ("5A 00 00 01 01 25", "no pair"),
        ("60 00 00 01 01 25", "no date"),
        ("00 00 24 01 01 25", "no date"),
        ("00 00 00 31 02 25", "no date"),
        ("00 00 00 00 00 00", "no date"),
        ("FF FF FF FF FF FF", "no pair"),
    ],
)
def test_bytes_that_are_no_time(block: str, words: str) -> None:
    """Digits above nine, seconds above 59, 31 February, zeros and ones."""
    with pytest.raises(AnswerImpossible, match=words):
        calendar_of(bytes.fromhex(block), weekday=False)


def test_bcd_both_ways() -> None:
    """All hundred pairs of digits."""
    assert [from_bcd(to_bcd(value)) for value in range(100)] == list(range(100))
    assert to_bcd(59) == 0x59
