"""Codes of earlier runs and of devices elsewhere: they save time, cost little, find nothing."""

from __future__ import annotations

from functools import partial

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from harness.wire.romcode import RomCode
from tests.logic_bus import LogicBus, PlainSearch, searched

MOST = 1.1
"""Of the round trips and of the time of a search without guesses, whatever is guessed."""

of_family = partial(RomCode.build, 0x28)
ROMS = st.one_of(
    st.builds(of_family, st.integers(0xA4B30000, 0xA4B30FFF)),
    st.builds(of_family, st.integers(0, 2**32 - 1)),
    st.builds(of_family, st.integers(0, 2**48 - 1)),
)


def lists(least: int, most: int) -> st.SearchStrategy[list[RomCode]]:
    """Codes of one lot, scattered, or both."""
    return st.lists(ROMS, min_size=least, max_size=most, unique=True)


TURNED = st.lists(st.integers(0, 47), min_size=1, max_size=4)

HALF = [of_family(0xA4B30000 + 977 * n) for n in range(5)]


@settings(max_examples=60, deadline=None)
@given(
    here=lists(1, 6),
    stale=lists(0, 8),
    seen=lists(0, 30),
    turned=TURNED,
    keeps=st.integers(0, 6),
    trip_s=st.sampled_from([0.0015, 0.0165]),
)
@example(
    here=HALF,
    stale=[of_family(0xA4B30000 + 31 * n) for n in range(9)],
    seen=[],
    turned=[0],
    keeps=3,
    trip_s=0.0015,
)
def test_stale_and_wrong_guesses_find_the_same_and_cost_a_tenth(
    *,
    here: list[RomCode],
    stale: list[RomCode],
    seen: list[RomCode],
    turned: list[int],
    keeps: int,
    trip_s: float,
) -> None:
    """Some still here, others elsewhere now, and codes a bit away from those here."""
    near = [of_family(rom.serial ^ 1 << bit) for rom in here for bit in turned]
    plain, bus = LogicBus(here, trip_s=trip_s), LogicBus(here, trip_s=trip_s)
    recalled = [*here[:keeps], *stale, *near]
    wanted = searched(plain, PlainSearch).found
    assert searched(bus, recalled=recalled, seen=seen).found == wanted
    assert bus.trips <= MOST * plain.trips
    assert bus.now_s <= MOST * plain.now_s


@pytest.mark.parametrize("trip_s", [0.0015, 0.0165])
@pytest.mark.parametrize("count", [2, 20, 100])
def test_a_bus_that_is_as_it_was_takes_two_round_trips_a_device(
    trip_s: float, count: int
) -> None:
    """A reset and a burst each, the first few in parts: with the proof that nobody else is there."""
    here = [of_family(0xA4B30000 + 977 * n) for n in range(count)]
    bus = LogicBus(here, trip_s=trip_s)
    found = searched(bus, recalled=here, seen=here).found
    assert sorted(found) == sorted(here)
    # the first code is guessed in parts, until what it saved pays for all of it
    assert bus.trips <= 2 * count + 6


@pytest.mark.parametrize("trip_s", [0.0015, 0.0165])
def test_another_lone_device_than_before_is_asked_for_its_code(trip_s: float) -> None:
    """A station's next unit: a wrong guess, READ ROM, and its proof; not one bit at a time."""
    for serial in range(0xA4B30000, 0xA4B30000 + 50):
        bus = LogicBus([of_family(serial)], trip_s=trip_s)
        searched(bus, recalled=[of_family(0xA4B30000 + 977)])
        assert bus.trips <= 12


def test_what_is_recalled_and_gone_is_not_found() -> None:
    """Nobody answers as a code that was here before: it is neither found nor rejected."""
    here = [of_family(n) for n in (5, 77)]
    result = searched(LogicBus(here), recalled=[of_family(n) for n in (5, 78, 79)])
    assert sorted(result.found) == sorted(here)
    assert result.rejected == []


@settings(max_examples=30, deadline=None)
@given(here=lists(1, 4), spoilt=st.sets(st.integers(0, 400), max_size=3))
def test_misheard_bits_invent_nobody(here: list[RomCode], spoilt: set[int]) -> None:
    """A code that is recalled, and not here, is found by no level that is heard wrongly."""

    def spoil(number: int, level: int) -> int:
        return 1 - level if number in spoilt else level

    absent = [of_family(rom.serial ^ 0xFF00) for rom in here]
    bus = LogicBus(here, spoil=spoil)
    found = set(searched(bus, recalled=[*here, *absent], seen=absent).found)
    assert not found & (set(absent) - set(here))
