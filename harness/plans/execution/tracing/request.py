"""What is to be judged: a recording, and what is known of the bus behind it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from harness.errors import UsageError
from harness.families.option_values import fetch_secret
from harness.families.registry import Kinds
from harness.families.secret import Secret
from harness.families.security.recorded_mac import SECRET_BYTES
from harness.plans.execution.fixture_circuit import circuit_of
from harness.plans.kinds.table import families_in_journal, kinds_of
from harness.plans.schema.files import Fixture
from harness.recordings.expectation import ExpectedDevice
from harness.recordings.reading.main_levels import Thresholds
from harness.results.journal.reader import read_events
from harness.wire.romcode import RomCode


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceRequest:
    """One recording.

    Attributes:
        recording: the file.
        fixture: of the bus, or None.
        channel: name of the data line's channel; empty for the only or busiest one.
        inverted: True if high and low are the other way round.
        secret: what authenticators on the line should hold, or None.
        journal: of the run that the recording shows, to be held against it, or None.
        into: results folder; None makes a fresh one under ``results``.
        case_properties: see ``junit.write_junit``.
    """

    recording: Path
    fixture: Fixture | None = None
    channel: str = ""
    inverted: bool = False
    secret: Secret | None = None
    journal: Path | None = None
    into: Path | None = None
    case_properties: bool = False

    def kinds(self) -> Kinds:
        """Those built in, those that the fixture describes, and those of the journal.

        Raises:
            UsageError: the journal is none.
        """
        known = kinds_of(fixture=self.fixture)
        if self.journal is None:
            return known
        started = (e for e in read_events(self.journal) if e["event"] == "run_started")
        for kind in next(started, {}).get("kinds", ()):
            known = known.with_described(families_in_journal(kind))
        return known


def secret_given(source: str) -> Secret:
    """The secret behind ``env:NAME`` or ``file:PATH``.

    Raises:
        UsageError: it is neither, there is nothing, or it has not eight bytes.
    """
    if not source.startswith(("env:", "file:")):
        raise UsageError(
            "a secret is never written on a command line",
            hint="put its bytes in hex into an environment variable, and name that: "
            "--secret env:NAME",
        )
    found = fetch_secret(source, Path())
    if len(found) != SECRET_BYTES:
        raise UsageError(
            f"the secret behind {source} has {len(found)} bytes, {SECRET_BYTES} are expected"
        )
    return found


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
