"""Codes that are expected: which are left below a path, and what they say of the next bit."""

from __future__ import annotations

import pytest

from harness.driver.guessing.expected import CERTAIN, ExpectedCodes
from harness.wire.romcode import RomCode

ROMS = [RomCode.build(0x28, serial) for serial in (0, 1, 2, 3)]


def bits_of(*values: int) -> list[tuple[int, ...]]:
    """Codes of one bit each."""
    return [(value,) for value in values]


@pytest.mark.parametrize(
    ("values", "entered", "guess"),
    [
        # on each is 0.95: somebody of so many is there with 1 - 0.05 ** n
        ((1,), False, (1, 0.95)),
        ((0, 0), False, (0, 1 - 0.05**2)),
        ((1, 1, 1, 0), False, (1, 1 - 0.05**3)),
        ((1, 1, 0, 0), False, (0, 1 - 0.05**2)),
        ((1, 1, 0, 0, 0), True, (0, 1 - 0.05**3)),
        ((1, 1, 1, 0, 0), True, (1, 1 - 0.05**3)),
        ((1, 1), True, (1, CERTAIN)),
        ((0, 0), True, (0, CERTAIN)),
    ],
)
def test_the_bit_that_most_have(
    values: tuple[int, ...], entered: bool, guess: tuple[int, float]
) -> None:
    """Most decide, a tie is a 0; where all agree, and one was right so far, it is certain."""
    expected = ExpectedCodes((), 0.95)
    bit, likely = expected.guess(bits_of(*values), 0, entered=entered)
    assert bit == guess[0]
    assert likely == pytest.approx(guess[1])


def test_certain_is_no_more_than_certain() -> None:
    """A slot may be misheard: less than one, and more than a whole code is expected with."""
    assert 0.99 < CERTAIN < 1


def test_left_below_a_path() -> None:
    """Those that begin so; a code that was found is expected no longer."""
    expected = ExpectedCodes(ROMS, 0.95)
    family = list(ROMS[0].bits[:8])
    assert expected.below([]) == [rom.bits for rom in ROMS]
    assert expected.below([*family, 1]) == [ROMS[1].bits, ROMS[3].bits]
    expected.drop(ROMS[3])
    expected.drop(ROMS[3])
    assert expected.below([*family, 1]) == [ROMS[1].bits]
    assert expected.below([*family, 1, 1]) == []
