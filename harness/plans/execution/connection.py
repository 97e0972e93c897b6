"""From a fixture to an open bus."""

from __future__ import annotations

import itertools
import os
from collections.abc import Iterator
from contextlib import contextmanager
from urllib.parse import quote

from harness.driver.adapter import Adapter
from harness.driver.bus import Bus
from harness.driver.port import Opener, open_port
from harness.driver.switching import Condition, Switching
from harness.errors import UsageError
from harness.plans.execution.fixture_circuit import slots_of
from harness.plans.schema.fixture import Fixture

_OPENINGS = itertools.count(1)
"""Tells apart the simulated benches that one process opens."""


def port_url(fixture: Fixture) -> str:
    """The port to open; ``sim://`` alone stands for the bench in the fixture itself.

    Raises:
        UsageError: a simulated bench needs a fixture that is a file.
    """
    port = fixture.adapter.port
    if port != "sim://":
        return port
    if not fixture.path:
        raise UsageError(
            "sim:// needs a fixture file", hint="save the fixture and name its path"
        )
    return f"sim://{quote(fixture.path)}?run={os.getpid()}-{next(_OPENINGS)}"


def switching_of(fixture: Fixture) -> Switching:
    """What RTS and DTR switch on this fixture."""
    power = fixture.power
    if power is None:
        return Switching()
    return Switching(
        supply_on=Condition(power.supply_on) if power.supply_on else None,
        strong_pull_up_on=(
            Condition(power.strong_pull_up_on) if power.strong_pull_up_on else None
        ),
        programming_on=Condition(power.programming_on)
        if power.programming_on
        else None,
    )


@contextmanager
def connect(fixture: Fixture, opener: Opener = open_port) -> Iterator[Bus]:
    """Open the fixture's adapter; on the way out the fixture is left safe.

    Args:
        fixture: the fixture.
        opener: see ``Adapter``.

    Raises:
        UsageError, AdapterError: the port cannot be opened.
    """
    adapter = Adapter(
        port_url(fixture),
        kind=fixture.adapter.kind,
        clock_tolerance_ppm=fixture.adapter.clock_tolerance_ppm,
        max_burst=fixture.adapter.max_burst,
        switching=switching_of(fixture),
        low_latency=fixture.adapter.latency == "low",
        opener=opener,
    )
    with adapter.open():
        try:
            yield Bus(adapter, slots=slots_of(fixture, adapter.grid))
        finally:
            adapter.release()
