"""Hands at the bench: who is in answers, who is out does not."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.bus import Bus
from harness.driver.search import enumerate_devices
from harness.errors import ExtraEcho
from harness.simulation.servers.insertion import Handling
from harness.station.presence_poll import PresencePoll, feel

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""


@pytest.fixture
def bus(open_bus: Make, bench_data: Make, new_device: Make) -> Bus:
    """A bus with two thermometers, all of it proved."""
    opened: Bus = open_bus(bench_data([new_device(0x28, 1), new_device(0x28, 2)]))
    opened.prove()
    return opened


def serials(bus: Bus) -> list[int]:
    """Serial numbers of those who answer.

    A device that powers up announces itself by a presence pulse of its own; one that
    falls into a reset is a surplus echo, and the search is made again.
    """
    try:
        found = enumerate_devices(bus).found
    except ExtraEcho:
        found = enumerate_devices(bus).found
    return sorted(rom.serial for rom in found)


def test_in_and_out(bus: Bus, bench_of: Make) -> None:
    """At the beginning nobody is in; then who was put in, at its time."""
    hands = Handling(bench_of(bus))
    assert feel(bus) is PresencePoll.NOBODY
    hands.put_in([2], after_s=1.0)
    assert feel(bus) is PresencePoll.NOBODY
    bus.clock.sleep(1.1)
    assert serials(bus) == [2]
    hands.put_in([1], after_s=0.1)
    hands.take_out([2], after_s=0.1)
    bus.clock.sleep(0.2)
    assert serials(bus) == [1]


def test_bouncing_contacts_come_to_rest(bus: Bus, bench_of: Make) -> None:
    """After some openings the contact stays, and the device answers in full."""
    Handling(bench_of(bus)).put_in([1], after_s=0.5, bouncing=True)
    bus.clock.sleep(1.0)
    bus.adapter.settle()
    assert serials(bus) == [1]


def test_a_short_comes_and_goes(bus: Bus, bench_of: Make) -> None:
    """A unit the wrong way round holds the line low until it is out."""
    Handling(bench_of(bus)).short(after_s=0.5, for_s=2.0)
    bus.clock.sleep(1.0)
    assert feel(bus) is PresencePoll.LOW
    bus.clock.sleep(2.0)
    assert feel(bus) is PresencePoll.NOBODY
