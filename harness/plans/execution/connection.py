"""From a fixture to an open bus."""

from __future__ import annotations

import itertools
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from harness.driver.adapter import Adapter
from harness.driver.bus import Bus
from harness.driver.port import Opener, open_port
from harness.driver.switching import Condition, Switching
from harness.errors import UsageError
from harness.plans.execution.fixture_circuit import slots_of
from harness.plans.schema.fixture import Fixture

_OPENINGS = itertools.count(1)
"""Distinguishes the simulated benches that one process opens."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LineRecording:
    """A file that the simulated bench writes its line to.

    Attributes:
        path: the file.
        last_s: how much of the end to keep, in seconds; None for all.
    """

    path: Path
    last_s: float | None = None


def port_url(fixture: Fixture, line: LineRecording | None = None) -> str:
    """The port to open; ``sim://`` alone stands for the bench in the fixture itself.

    Args:
        fixture: the fixture.
        line: where a simulated bench writes its line to, or None.

    Raises:
        UsageError: a simulated bench needs a fixture that is a file; no other port
            shows its line.
    """
    port = fixture.adapter.port
    if port != "sim://":
        if line is not None:
            raise _no_line(port)
        return port
    if not fixture.path:
        raise UsageError(
            "sim:// needs a fixture file", hint="save the fixture and name its path"
        )
    url = f"sim://{quote(fixture.path)}?run={os.getpid()}-{next(_OPENINGS)}"
    if line is not None:
        url += f"&line={quote(quote(str(line.path.absolute())))}"
        url += f"&line_last_s={line.last_s}" if line.last_s is not None else ""
    return url


def _no_line(port: str) -> UsageError:
    return UsageError(
        f"--line needs a simulated bench: behind {port} only echoes are seen, one bit for "
        "each bit of a character, and no edge of the line",
        hint="hang an oscilloscope or logic analyser on the line, and judge what it exports "
        "with slotproof trace",
    )


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
def connect(
    fixture: Fixture,
    opener: Opener = open_port,
    *,
    line: LineRecording | None = None,
) -> Iterator[Bus]:
    """Open the fixture's adapter; on the way out the fixture is left safe.

    Args:
        fixture: the fixture.
        opener: see ``Adapter``.
        line: where a simulated bench writes its line to, or None.

    Raises:
        UsageError, AdapterError: the port cannot be opened.
    """
    adapter = Adapter(
        port_url(fixture, line),
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
