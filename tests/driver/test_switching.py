"""RTS and DTR: no way from one state to another fires the strong pull-up between them."""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from typing import Any

import pytest

from harness.driver.switching import Condition, Switching
from harness.errors import CannotSwitch
from harness.simulation.faults import settings as fs

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

PAIRS = (Condition.RTS_WITHOUT_DTR, Condition.DTR_WITHOUT_RTS)
SUPPLIES = (None, Condition.RTS, Condition.DTR)
STATES = [
    (supply, pull_up) for supply, pull_up in product((True, False), repeat=2)
]  # supply on, strong pull-up on


def reachable(switching: Switching) -> list[tuple[bool, bool]]:
    """States that some pair of levels makes."""
    found = []
    for supply, pull_up in STATES:
        try:
            switching.lines(supply=supply, strong_pull_up=pull_up)
        except CannotSwitch:
            continue
        found.append((supply, pull_up))
    return found


@pytest.mark.parametrize(
    ("condition", "on"),
    [
        (Condition.RTS, {(True, True), (True, False)}),
        (Condition.DTR, {(True, True), (False, True)}),
        (Condition.RTS_WITHOUT_DTR, {(True, False)}),
        (Condition.DTR_WITHOUT_RTS, {(False, True)}),
    ],
)
def test_what_each_condition_means(
    condition: Condition, on: set[tuple[bool, bool]]
) -> None:
    """The condition's name says at which levels of RTS and DTR it holds."""
    levels = product((True, False), repeat=2)
    assert {(r, d) for r, d in levels if condition.holds(rts=r, dtr=d)} == on


@pytest.mark.parametrize(("supply_on", "pull_up_on"), list(product(SUPPLIES, PAIRS)))
def test_opening_and_closing_never_fire(
    supply_on: Condition | None, pull_up_on: Condition
) -> None:
    """Both lines raised together, or dropped together, leave the strong pull-up off."""
    switching = Switching(supply_on=supply_on, strong_pull_up_on=pull_up_on)
    for both in (True, False):
        assert not pull_up_on.holds(rts=both, dtr=both)
    rts, dtr = switching.lines(supply=True, strong_pull_up=False)
    assert not pull_up_on.holds(rts=rts, dtr=dtr)


@pytest.mark.parametrize(("supply_on", "pull_up_on"), list(product(SUPPLIES, PAIRS)))
def test_no_transition_fires_the_strong_pull_up(
    rigged: Make, supply_on: Condition | None, pull_up_on: Condition
) -> None:
    """From any state to any other, the levels between never fire what is off in both."""
    switching = Switching(supply_on=supply_on, strong_pull_up_on=pull_up_on)
    states = reachable(switching)
    assert len(states) >= 2
    for before, after in product(states, repeat=2):
        adapter, port = rigged(switching=switching)
        with adapter.open():
            adapter.switch(supply=before[0], strong_pull_up=before[1])
            port.states.clear()
            adapter.switch(supply=after[0], strong_pull_up=after[1])
            fired = [pull_up_on.holds(rts=r, dtr=d) for r, d in port.states]
            assert fired[-1] is after[1]
            if not before[1] and not after[1]:
                assert not any(fired)
            if supply_on is not None:
                end_rts, end_dtr = port.states[-1]
                assert supply_on.holds(rts=end_rts, dtr=end_dtr) is after[0]


@pytest.mark.parametrize("pull_up_on", PAIRS)
def test_opening_sets_the_state_without_firing(
    rigged: Make, pull_up_on: Condition
) -> None:
    """The first setting after open starts from both lines raised and never fires."""
    adapter, port = rigged(switching=Switching(strong_pull_up_on=pull_up_on))
    with adapter.open():
        assert port.states
        assert not any(pull_up_on.holds(rts=r, dtr=d) for r, d in port.states)


def test_what_a_fixture_lacks(rigged: Make) -> None:
    """A switch that is not there is refused by name; the state stays as it was."""
    adapter, port = rigged()
    with adapter.open():
        with pytest.raises(CannotSwitch, match="no strong pull-up"):
            adapter.switch(strong_pull_up=True)
        with pytest.raises(CannotSwitch, match="no supply"):
            adapter.switch(supply=False)
    assert port.states == []


def test_state_that_no_pair_makes() -> None:
    """Supply and strong pull-up on one condition cannot be in different states."""
    pair = Condition.RTS_WITHOUT_DTR
    both = Switching(supply_on=pair, strong_pull_up_on=pair)
    with pytest.raises(CannotSwitch, match="no pair of RTS and DTR"):
        both.lines(supply=True, strong_pull_up=False)


def test_release_leaves_the_fixture_safe(rigged: Make) -> None:
    """Release switches the strong pull-up off, and the supply where it can be."""
    switching = Switching(
        supply_on=Condition.RTS, strong_pull_up_on=Condition.RTS_WITHOUT_DTR
    )
    adapter, port = rigged(switching=switching)
    with adapter.open():
        adapter.switch(strong_pull_up=True)
        adapter.release()
        assert port.states[-1][0] is False


def test_strong_pull_up_reaches_the_line(
    open_bus: Make, bench_data: Make, bench_of: Make, new_device: Make
) -> None:
    """On the simulated line the switch lifts a loaded line, and release lets it sag again."""
    power = {"strong_pull_up_on": "rts-without-dtr", "strong_pull_up_ohm": 100}
    data = bench_data([new_device(0x28, 3)], line={"pull_up_ohm": 4700})
    bus = open_bus({**data, "power": power})
    bench = bench_of(bus)
    bench.faults.start(fs.ShortedLineFault(kind="line-shorted", short_ohm=1000))
    levels = []
    for on in (False, True, False):
        bus.adapter.switch(strong_pull_up=on)
        trace = bench.record_trace()
        bus.clock.sleep(0.001)
        bench.stop_trace()
        levels.append(trace.voltage_at(trace.segments[-1].end_us))
    assert levels[0] == pytest.approx(5 * 1000 / 5700, abs=0.05)
    assert levels[1] > 4
    assert levels[2] == pytest.approx(levels[0], abs=0.05)
