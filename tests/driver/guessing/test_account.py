"""What a guess may cost, by arithmetic worked beside each case."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.driver.guessing.account import Account
from harness.driver.search import Search
from harness.wire.romcode import RomCode
from tests.logic_bus import LogicBus, PlainSearch

ACCOUNT = {"slot_s": 0.001, "trip_s": 0.01}


def account_of(devices: int, depth: int = 0) -> Account:
    """Resets of 50 ms, trips of 10 ms, slots of 1 ms; so many devices below one depth."""
    made = Account(**ACCOUNT)
    made.took_reset(0.05)
    for _ in range(devices):
        made.expect(depth)
    return made


def test_times_are_means_of_what_was_measured() -> None:
    """The first measurement takes the place of what was known before; the slots come off."""
    made = Account(slot_s=70e-6, trip_s=0.5)
    for took_s, mean_s in ((0.001, 0.001), (0.003, 0.002), (0.005, 0.003)):
        made.took_reset(took_s)
        assert made.reset_s == pytest.approx(mean_s)
    # 100 slots are 7 ms: 3 ms besides, then nothing, never less
    for took_s, mean_s in ((0.010, 0.003), (0.002, 0.0015), (0.016, 0.004)):
        made.took_burst(took_s, 100, after_reset=False)
        assert made.trip_s == pytest.approx(mean_s)


def test_a_change_of_the_rate_behind_a_reset_is_part_of_the_reset() -> None:
    """A reset of 3 ms, trips of 1 ms, and 2 ms more behind a reset: a wrong guess costs 5 ms."""
    made = Account(slot_s=70e-6, trip_s=0.001)
    made.took_reset(0.003)
    made.took_burst(0.010, 100, after_reset=True)
    assert made.reset_s == pytest.approx(0.005)
    made.took_burst(0.008, 100, after_reset=False)
    made.took_burst(0.010, 100, after_reset=True)
    assert made.trip_s == pytest.approx(0.001)
    assert made.reset_s == pytest.approx(0.005)


def test_the_first_burst_behind_a_reset_stands_for_a_trip_that_is_not_known() -> None:
    """Until another is sent; then it counts for what it takes more."""
    made = Account(slot_s=70e-6)
    made.took_burst(0.010, 100, after_reset=True)
    assert made.trip_s == pytest.approx(0.003)
    assert made.reset_s == 0.0
    made.took_burst(0.008, 100, after_reset=False)
    assert made.trip_s == pytest.approx(0.001)
    assert made.reset_s == pytest.approx(0.002)


@pytest.mark.parametrize(("depth", "most"), [(0, 266), (30, 128), (60, 9)])
def test_round_trips_that_may_be_lost(depth: int, most: int) -> None:
    """A tenth, less a hundredth, of what 51 devices take without guesses.

    A reset, a burst and one for each bit up to the CRC: 51 (2 + 56) = 2958 round trips,
    9 % are 266.22, of which one must be left for the next loss; from bit 30 on 51 x 28,
    128.52; behind the CRC's beginning two each, 9.18.
    """
    made = Account(slot_s=0.0, trip_s=1.0)
    for _ in range(51):
        made.expect(depth)
    losses = 0
    while made.may_lose(0):
        made.lose(0)
        losses += 1
    assert losses == most


def test_time_that_may_be_lost() -> None:
    """Never more than 9 % of the time without guesses, with what was saved and spent.

    51 devices: a reset and 8 + 3 x 64 slots each are 51 x 0.25 s, the other 2907 trips
    29.07 s, together 41.82 s; 9 % of that are 3.7638 s: a reset and 3713 slots.
    """
    made = account_of(51)
    assert (made.may_lose(3713), made.may_lose(3714)) == (True, False)
    made.spend(1.0, 1)
    assert (made.may_lose(2713), made.may_lose(2714)) == (True, False)
    made.save(3)  # three trips of 10 ms are 30 slots
    assert (made.may_lose(2743), made.may_lose(2744)) == (True, False)
    made.lose(100)  # a reset and 100 slots
    assert (made.may_lose(2593), made.may_lose(2594)) == (True, False)


def test_what_was_saved_may_be_lost_to_its_end() -> None:
    """One trip of 1 s saved pays for one slot of 1 s, and not for two."""
    made = Account(slot_s=1.0, trip_s=1.0)
    assert not made.may_lose(0)
    made.save(1)
    assert (made.may_lose(1), made.may_lose(2)) == (True, False)


@pytest.mark.parametrize(
    ("reached", "depth", "least"),
    [
        # p x 10 ms > (1 - p) x (50 + 8) ms
        (1.0, 0, 58 / 68),
        # ten bits are thirty slots more on the way down again
        (1.0, 10, 88 / 98),
        # half of the times the guesses before were wrong, and three slots are in vain:
        # p x 10 > (1 - p) x 58 + 3
        (0.5, 0, 61 / 68),
        # 0.2 p x 10 > 0.2 (1 - p) x 58 + 0.8 x 3
        (0.2, 0, (0.2 * 58 + 2.4) / (0.2 * 68)),
    ],
)
def test_likelihood_from_which_a_guess_pays(
    reached: float, depth: int, least: float
) -> None:
    """A right guess saves a round trip, a wrong one costs the way down again."""
    made = account_of(1)
    assert made.is_worth(least + 1e-6, reached, depth)
    assert not made.is_worth(least - 1e-6, reached, depth)


def test_without_round_trips_nothing_is_worth_a_guess() -> None:
    """Where a trip takes no time, a certain guess saves none."""
    assert not Account(slot_s=1.0).is_worth(1.0, 1.0, 0)


ROMS = st.lists(
    st.builds(RomCode.build, st.just(0x28), st.integers(0xA4B30000, 0xA4B3FFFF)),
    min_size=1,
    max_size=4,
    unique=True,
)


@settings(max_examples=8)
@given(roms=ROMS)
def test_a_search_without_guesses_takes_what_is_expected_of_it(
    roms: list[RomCode],
) -> None:
    """The account foretells its round trips and its time."""
    bus = LogicBus(roms)
    search = PlainSearch(bus)  # type: ignore[arg-type]
    search.run()
    account = search._account
    assert bus.trips == account._plain_trips
    assert search._result.wrong_guesses == 0
    assert (account._saved_trips, account._spent_trips) == (0, 0)
    assert account.trip_s == pytest.approx(bus.trip_s)
    assert account.reset_s == pytest.approx(bus.reset_s + bus.change_s)


def test_asking_a_lone_device_is_booked() -> None:
    """A reset and a burst, which the search without guesses does not make."""
    bus = LogicBus([RomCode.build(0x28, 0xA4B3C2D1)])
    bus.now_s = 100.0  # no time of the clock itself is booked
    search = Search(bus)  # type: ignore[arg-type]
    search._ask_lone()
    assert search._account._spent_trips == bus.trips == 2
    assert search._account._spent_s == pytest.approx(bus.now_s - 100)


def test_slots_that_a_guess_may_cost() -> None:
    """The command's eight again, and three a position down to the guess itself."""
    bus = LogicBus([RomCode.build(0x28, 0xA4B3C2D1)])
    search = Search(bus, expected=[RomCode.build(0x28, 0xA4B3C2D1)])  # type: ignore[arg-type]
    asked: list[int] = []

    def may_lose(slots: int) -> bool:
        asked.append(slots)
        return True

    search._account.may_lose = may_lose  # type: ignore[method-assign]
    search.run()
    assert asked[:4] == [11, 14, 17, 20]


@settings(max_examples=8)
@given(roms=ROMS, expects=st.booleans())
def test_what_was_saved_and_spent_is_the_difference(
    roms: list[RomCode], expects: bool
) -> None:
    """Round trips of a search are those without guesses, less the saved, plus the spent.

    A burst that ends behind the CRC saves one more than is booked: one a device at most.
    """
    bus = LogicBus(roms)
    expected = [RomCode.build(0x28, 0xA4B30000 + 777 * n) for n in range(3)]
    search = Search(bus, expected=expected if expects else ())  # type: ignore[arg-type]
    found = search.run().found
    account = search._account
    made = account._plain_trips - account._saved_trips + account._spent_trips
    assert 0 <= made - bus.trips <= len(found)
