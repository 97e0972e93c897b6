"""What is to be judged: a recording, and what is known of the bus behind it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from harness.plans.execution.fixture_circuit import circuit_of
from harness.plans.schema.files import Fixture
from harness.recordings.expectation import ExpectedDevice
from harness.recordings.reading.hysteresis import Thresholds
from harness.wire.romcode import RomCode


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceRequest:
    """One recording.

    Attributes:
        recording: the file.
        fixture: of the bus, or None.
        channel: name of the data line's channel; empty for the only or busiest one.
        inverted: True if high and low are the other way round.
        journal: of the run that the recording shows, to be held against it, or None.
        into: results folder; None makes a fresh one under ``results``.
        case_properties: see ``junit.write_junit``.
    """

    recording: Path
    fixture: Fixture | None = None
    channel: str = ""
    inverted: bool = False
    journal: Path | None = None
    into: Path | None = None
    case_properties: bool = False


def thresholds_of(fixture: Fixture) -> Thresholds:
    """Levels that every device of the fixture takes for low and for high."""
    devices = circuit_of(fixture).devices
    return Thresholds(
        falls_below_v=min(device.low_v for device in devices),
        rises_above_v=max(device.high_v for device in devices),
        from_fixture=True,
    )


def expected_of(fixture: Fixture) -> tuple[ExpectedDevice, ...]:
    """What the fixture expects in its sockets."""
    return tuple(
        ExpectedDevice(
            socket=socket.name,
            rom=RomCode.parse(socket.expect.rom_code)
            if socket.expect.rom_code
            else None,
            family=socket.expect.family_code,
        )
        for socket in fixture.sockets
    )
